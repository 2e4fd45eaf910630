"""Idles of any length from a take's calm, and the fidgets beside them."""
