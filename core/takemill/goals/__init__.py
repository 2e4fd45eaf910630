"""What hands and body touch: found on the performer, kept on another body."""
