"""Fourlight: from raw nights of one-shot-colour frames to an honest deep-sky picture."""

from importlib.metadata import PackageNotFoundError, version

from fourlight import kernel_cache

__all__ = ["__version__"]

kernel_cache.settle()

try:
    __version__ = version("fourlight")
except PackageNotFoundError:  # run from a source tree that was never installed
    __version__ = "0+unknown"
