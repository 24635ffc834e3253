"""Backs up the memory cards of single-board computers to a network share, and brings them back."""

__version__ = "0.1.0"
