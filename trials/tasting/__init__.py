"""Who tastes what, in which order, under which code."""
