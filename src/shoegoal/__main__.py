"""``python -m shoegoal``."""

from shoegoal.cli.main import cli

if __name__ == "__main__":
    cli(prog_name="shoegoal")
