"""All boards of a share, setting one more up, and the page for the bad day."""
