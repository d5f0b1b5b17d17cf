"""The ways in: the command line, the notebook, the server, the demo."""
