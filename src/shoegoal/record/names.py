"""Pseudonyms: an animal and a number, drawn here and known only to the book."""

from __future__ import annotations

import random
from collections.abc import Collection

ANIMALS = (
    "Badger", "Beaver", "Bison", "Bumblebee", "Camel", "Cheetah", "Condor", "Cricket", "Curlew",
    "Dolphin", "Dormouse", "Egret", "Falcon", "Finch", "Gazelle", "Gecko", "Hedgehog", "Heron",
    "Ibex", "Jackdaw", "Kestrel", "Kingfisher", "Lemur", "Llama", "Lynx", "Marmot", "Martin",
    "Newt", "Ocelot", "Otter", "Panda", "Pelican", "Penguin", "Plover", "Puffin", "Quail",
    "Rabbit", "Raven", "Robin", "Salmon", "Seal", "Sparrow", "Squirrel", "Stork", "Swift",
    "Tapir", "Toucan", "Turtle", "Walrus", "Wombat", "Wren", "Zebra",
)  # fmt: skip
LOWEST, HIGHEST = 10, 99


def invent_name(taken: Collection[str], source: random.Random | None = None) -> str:
    """Invent a pseudonym that nobody has.

    Parameters
    ----------
    taken : names in use.
    source : of chance; the operating system's when None, so that names tell nothing of the order
        in which pupils came.
    """
    chance = source or random.SystemRandom()
    highest = HIGHEST
    while True:
        free = [
            name
            for animal in ANIMALS
            for number in range(LOWEST, highest + 1)
            if (name := f"{animal} {number}") not in taken
        ]
        if free:
            return chance.choice(free)
        highest = highest * 10 + 9
