"""Priors, modes, tests, costs and cautions, read from `priors/*.toml`."""
