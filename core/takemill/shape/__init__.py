"""The surface of a body: its skin, and capsules on its joints."""
