"""The version of the package, written once."""

__version__ = "0.1.0"
