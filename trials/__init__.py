"""The package: a table of names that are loaded when used."""
