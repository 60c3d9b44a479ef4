"""The demo: an invented class of six pupils."""
