"""The record as tables for other programs."""
