"""Priors, modes, tests, costs and cautions, read from `priors/*.toml`."""

from swapinfer.pack.load import load_pack
from swapinfer.pack.tables import pack_from_json, pack_to_json

__all__ = ["load_pack", "pack_from_json", "pack_to_json"]
