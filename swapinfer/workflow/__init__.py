"""One function for each thing a user does; each returns facts, none prints."""
