"""How the pictures of README and guide are taken: `docs/take_pictures.py` is the command."""
