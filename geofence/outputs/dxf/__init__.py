"""Drawings for CAD: the plan on the grid, and the long-section."""
