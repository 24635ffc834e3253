"""Taking a capture: reading a card, in use or not, and writing what the shelf does not hold."""
