"""The networks that come with the package, as OpenCV runs them."""

from __future__ import annotations

from importlib.resources import as_file, files

import cv2

from shoegoal.errors import ShoegoalError


def load_network(floor: str, name: str) -> cv2.dnn.Net:
    """Load a network of the folder ``models`` of a floor.

    Raises
    ------
    ShoegoalError
        Its file is missing or damaged.
    """
    with as_file(files(f"shoegoal.{floor}") / "models" / name) as path:
        try:
            return cv2.dnn.readNetFromONNX(str(path))
        except cv2.error as error:
            raise ShoegoalError(
                f"A network's file cannot be read ({path}): install shoegoal again."
            ) from error
