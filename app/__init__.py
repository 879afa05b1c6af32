"""Terrace: keep every lifter on a remote roster progressing."""

__version__ = "0.1.0"
