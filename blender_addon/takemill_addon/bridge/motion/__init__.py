"""Keys of Actions as arrays, and arrays as keys."""
