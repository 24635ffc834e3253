"""Whether what stands on a shelf can be relied on: its bytes, and whether a board would boot from it."""
