"""Reads what a vehicle's control units have stored, over the standard diagnostic bus."""
