"""The version, read by the build and written into every output frame."""

__version__ = "0.1.0"
