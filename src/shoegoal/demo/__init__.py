"""An invented class of six pupils, counted before one's eyes."""
