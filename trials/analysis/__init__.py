"""What the scores say, and how sure it is."""
