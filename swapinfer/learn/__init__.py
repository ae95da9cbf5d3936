"""Priors from closed jobs; the only home of PyMC."""
