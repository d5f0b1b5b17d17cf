"""What to bake next, when to stop, and the story of it all."""
