"""The records that every layer shares."""
