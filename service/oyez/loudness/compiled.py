"""The one typed way from a Python function to a compiled kernel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Kernel = TypeVar("Kernel", bound=Callable[..., Any])

# No full fastmath: it would optimise checks for NaN away. Sums may be reordered and fused; that is the same on
# every run of one machine.
_SAFE = {"contract", "reassoc", "nsz", "arcp"}


def compiled(function: Kernel) -> Kernel:
    """Compile at first call, keep the result on disk, release the interpreter while it runs."""
    return cast("Kernel", numba.njit(cache=True, nogil=True, fastmath=_SAFE)(function))
