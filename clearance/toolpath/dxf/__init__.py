"""Drawings: entities into curves (in a child process), curves into contours, contours into a path."""
