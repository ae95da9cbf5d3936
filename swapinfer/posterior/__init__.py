"""Exact inference over every combination of faults."""
