"""Fourlight: from raw nights of one-shot-colour frames to an honest deep-sky picture."""

from typing import TYPE_CHECKING

from fourlight import kernel_cache

if TYPE_CHECKING:
    __version__: str

__all__ = ["__version__"]

kernel_cache.settle()


def __getattr__(name: str) -> str:
    """The version, looked up when it is asked for, which keeps help fast (PEP 562)."""
    if name != "__version__":
        raise AttributeError(f"module 'fourlight' has no attribute {name!r}")
    from importlib.metadata import PackageNotFoundError, version

    try:
        found = version("fourlight")
    except PackageNotFoundError:  # run from a source tree that was never installed
        found = "0+unknown"
    globals()[name] = found
    return found
