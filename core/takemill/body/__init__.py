"""Joints at rest, frames of them, and which joint plays which part of a body."""
