"""Layers with styles for a desktop GIS."""
