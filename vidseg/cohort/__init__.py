"""Floor 3, many cases, pure: distribution, learning, comparison. Time is not skill."""
