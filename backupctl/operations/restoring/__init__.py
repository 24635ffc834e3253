"""Bringing a capture back: onto a card of whatever size, as it is or as a clone, or into a file."""
