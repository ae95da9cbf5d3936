"""Commands that still stand apart from their facts."""
