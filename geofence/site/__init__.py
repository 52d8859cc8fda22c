"""The real world: lines on the ellipsoid, distances on the ground, and the ground itself."""
