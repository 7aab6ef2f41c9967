"""Floor 2, one case, pure: resolve, check, durations."""
