"""What a plan is written as: one module a kind of file, each with ``write(plan, path)`` and its ``OUTPUT``."""
