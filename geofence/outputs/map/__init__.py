"""The interactive map: its page, and what it knows of a plan."""
