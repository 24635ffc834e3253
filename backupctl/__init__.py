"""Backs up the memory cards of single-board computers to a network share, and brings them back."""

__version__ = "0.1.0"

# A clock that stands before this date is wrong: the program did not exist then.
BUILT = "2026-11-24"
