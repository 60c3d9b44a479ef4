"""A phone's lens: measured once from a printed board, kept in a small TOML file."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.errors import BadSettingsError

# Two shapes are the same when width over height agrees to this share (1920x1080, 1280x720).
SAME_SHAPE_REL = 0.01


class LensMismatchError(BadSettingsError):
    """A lens file made for pictures of another shape."""


@dataclass(frozen=True, slots=True)
class Lens:
    """A calibrated lens at one picture size.

    Attributes
    ----------
    width_px, height_px : displayed picture size that the numbers are for.
    focal_px, cx_px, cy_px : pinhole numbers.
    distortion : (k1, k2, p1, p2, k3), OpenCV's model and order.
    focal_sigma_rel : standard deviation of the focal length as a share of it.
    how_made : a sentence on where the numbers come from.
    """

    width_px: int
    height_px: int
    focal_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, ...] = ()
    focal_sigma_rel: float = 0.01
    how_made: str = ""

    def scaled_to(self, image_size_px: tuple[int, int]) -> Lens:
        """Return the lens at another resolution of the same shape.

        Parameters
        ----------
        image_size_px : width and height of the displayed frame.

        Raises
        ------
        LensMismatchError
            The picture has another shape, so the phone cropped it or was turned.
        """
        width, height = image_size_px
        scale = width / self.width_px
        if abs(height / (self.height_px * scale) - 1) > SAME_SHAPE_REL:
            raise LensMismatchError(
                f"The lens file is for {self.width_px}x{self.height_px} pictures, the clip is "
                f"{width}x{height}; film the board in the same mode and the same way up as the "
                "clip, or leave the lens file out."
            )
        return Lens(
            width,
            height,
            self.focal_px * scale,
            # Pixel centres sit at whole numbers, so half a pixel stays half a pixel.
            (self.cx_px + 0.5) * scale - 0.5,
            (self.cy_px + 0.5) * scale - 0.5,
            self.distortion,
            self.focal_sigma_rel,
            self.how_made,
        )
