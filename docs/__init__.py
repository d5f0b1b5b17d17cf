"""The pages of the documentation, and what builds them."""
