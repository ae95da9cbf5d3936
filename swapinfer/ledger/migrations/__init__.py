"""Scripts that bring a store from any released schema to the newest."""
