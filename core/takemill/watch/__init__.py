"""On the set: each take judged as it is saved, and a session of them."""
