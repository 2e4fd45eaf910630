"""File formats, read and written: BVH, GLB, JSON Schema."""
