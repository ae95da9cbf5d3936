"""Vehicles with known faults: draws jobs from a pack, answers what is done, plays policies."""
