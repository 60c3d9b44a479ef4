"""Cautions before anybody kicks or films, for the cards and the screen."""

from __future__ import annotations

SHORT_CAUTION = (
    "Warm up, clear the space, use light markers, film only with consent (shoegoal cautions)."
)

# Common practice, no source.
CAUTIONS = (
    "Warm up first: half a minute each of a few easy exercises, then some soft passes.",
    "Clear the space: no one and nothing breakable beside or behind the goal, no road, no slope "
    "towards one, dry and even ground, the phone out of the ball's way.",
    "Wear closed sports shoes that are tied; shin guards where others take part.",
    "Build the goal from light markers that give way (shoes, cones, empty bottles). Never shoot "
    "at, climb on or move a heavy goal that is not anchored: it can tip over.",
    "Stop when something hurts. shoegoal counts shots; it gives no medical advice.",
    "Film only people who have agreed, and a child only with a parent's or guardian's consent; "
    "keep neighbours, street signs and house numbers out of the picture. shoegoal works on your "
    "own computer and sends nothing anywhere; the evidence pictures show the kicker, so keep and "
    "delete them as you would the clip.",
    "Your local rules, your school's policy and the advice of licensed practitioners come first. "
    "A teacher decides; shoegoal only shows what it saw.",
)
