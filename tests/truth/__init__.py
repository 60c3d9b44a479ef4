"""Renders practice clips whose every number is known: the tests' independent truth.

Nothing here imports the tool. Inner frame: x to the kicker's right, y forward (from the kicker
to the goal and beyond), z up, metres, origin midway between the inner marker bases. The truth
files speak the goal frame instead, whose y points back to the kicker (y_goal = -y_forward).
"""
