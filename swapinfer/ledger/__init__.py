"""Append-only events of a job, their store, and their replay."""
