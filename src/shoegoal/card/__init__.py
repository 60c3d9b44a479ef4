"""The printed cards: how to set up a stage, where the phone goes, warm-up and cool-down."""
