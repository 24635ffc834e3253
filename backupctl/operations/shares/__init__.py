"""A network share: how it is mounted, whether it is the right one, and what is wrong with its line."""
