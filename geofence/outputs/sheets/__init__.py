"""Plan and long-section on sheets of paper, in strips with match lines."""
