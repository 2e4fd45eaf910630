"""What all else stands on: the exception tree, checks of arrays, files written whole or not at all."""
