"""The filming check: can this clip be counted, and what should change."""
