"""Halocline makes clean CG renders look as if they were photographed under water."""

from halocline._version import __version__

__all__ = ["__version__"]
