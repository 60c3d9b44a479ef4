"""Stages and ladders: what is asked, what was counted, and what that means for the pupil."""
