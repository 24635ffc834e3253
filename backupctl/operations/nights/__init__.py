"""What happens by itself: the night, its timer, and telling somebody."""
