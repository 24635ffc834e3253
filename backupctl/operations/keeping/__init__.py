"""What stays, what goes, how room is given back, and what keeping costs."""
