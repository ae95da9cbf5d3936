"""What to do next, at least expected cost to a verified repair."""
