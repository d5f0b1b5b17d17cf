"""Results as figures, each with its text description."""
