"""Tallydeck: the record-keeper and lookout of a small wet gravity-separation bay."""

__version__ = "0.1.0"
