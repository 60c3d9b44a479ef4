"""How the network that sees standing things learnt; see training/README.md."""
