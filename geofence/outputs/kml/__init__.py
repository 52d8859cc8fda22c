"""The fence on a globe."""
