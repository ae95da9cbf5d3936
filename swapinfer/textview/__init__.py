"""Facts to text for the terminal."""
