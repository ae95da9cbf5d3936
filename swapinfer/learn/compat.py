"""Where the two generations of PyMC and ArviZ differ, and nowhere else.

PyMC 5 goes with ArviZ 0.x (Python 3.11), PyMC 6 with ArviZ 1.x (Python 3.12 and later). Sampling
goes through nutpie, which compiles the density with Numba: no C compiler is needed, and the draws
for a seed do not depend on whether the machine has one.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from swapinfer.evidence.arrays import FloatArray

Model: TypeAlias = Any
"""A `pymc.Model`; these libraries have no types of their own."""
Tensor: TypeAlias = Any
"""A symbolic variable inside a model."""
Compiled: TypeAlias = Any
"""A model compiled by nutpie."""
Trace: TypeAlias = Any
"""Draws: ``InferenceData`` in the older generation, ``DataTree`` in the newer."""

LIBRARIES = ("pymc", "arviz", "nutpie", "pytensor", "numpy")
"""Those whose versions a learned pack records."""


@contextmanager
def quiet() -> Iterator[None]:
    """Silence what these libraries say about themselves while they load and compile.

    Announcements of refactorings, of a missing C compiler or a slow BLAS concern nobody who
    learns from a history; convergence is judged from the draws, not from warnings.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def library_versions() -> dict[str, str]:
    """Versions of the libraries that the draws come from."""
    return {name: version(name) for name in LIBRARIES}


def compile_model(model: Model) -> Compiled:
    """Compile a `pymc.Model` to machine code; may be refitted by ``with_data``."""
    with quiet():
        import nutpie

        return nutpie.compile_pymc_model(model)


def run_nuts(compiled: Compiled, *, progress: bool = False, **settings: float) -> Trace:
    """Draw from a compiled model.

    The mass matrix is diagonal plus low rank: with many jobs the effects that add up to one share
    are strongly correlated, and a diagonal one then takes hundreds of times as many draws.
    """
    with quiet():
        import nutpie

        return nutpie.sample(
            compiled, progress_bar=progress, low_rank_modified_mass_matrix=True, **settings
        )


def draws(trace: Trace, group: str = "posterior") -> dict[str, FloatArray]:
    """Take the arrays of a group, each of shape (chain, draw, ...)."""
    data = trace[group]
    return {str(name): np.asarray(data[name].values) for name in data.data_vars}


def summary_statistics(trace: Trace, names: list[str]) -> dict[str, dict[str, FloatArray]]:
    """R-hat and bulk and tail effective sample size of every element of every variable named."""
    with quiet():
        import arviz as az

        data = trace["posterior"]
        data = (data.dataset if hasattr(data, "dataset") else data)[names]
        found = {
            "r_hat": az.rhat(data),
            "ess_bulk": az.ess(data, method="bulk"),
            "ess_tail": az.ess(data, method="tail"),
        }
    return {
        key: {name: np.asarray(values[name].values, dtype=np.float64) for name in names}
        for key, values in found.items()
    }


def save_draws(trace: Trace, path: Path) -> None:
    """Write the draws as a Zarr store in the ArviZ layout, which both generations can read."""
    with quiet():
        tree = trace.to_datatree() if hasattr(trace, "to_datatree") else trace
        tree.to_zarr(str(path), mode="w")
