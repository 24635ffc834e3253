"""Single files out of a capture, and looking around in it."""
