"""How the networks and the story's numbers were made; see training/README.md."""
