"""The way of a kicked ball over the ground and through the air, fitted to its sightings.

All positions are in the camera ground frame (see `shoegoal.scene.camera`); the goal comes later.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from shoegoal.ball.breaks import unbroken_part
from shoegoal.scene.camera import Camera
from shoegoal.types import BallSighting

GRAVITY_MPS2 = 9.81
BOUNCE = 0.6  # FIFA turf test asks 0.6-0.85 m rebound from 2 m, so 0.55-0.65 (from memory)
GROUND_KEEP = 0.8  # forward speed kept at a bounce; common practice, no source
# A ball let off a 1 m ramp rolls 4-10 m on turf (FIFA ball roll, from memory). A thin shell leaves
# it at sqrt(6/5 g h) = 3.4 m/s, so it loses 0.6-1.5 m/s^2; concrete and long grass lie outside.
ROLL_LOSS_MPS2 = 1.0
ROLL_LOSS_SIGMA_MPS2 = 0.8
MAX_ROLL_LOSS_MPS2 = 6.0
LOFT_SIGMA_MPS = 1.5
ASTRAY_SIGMAS = 8.0  # fitted so far from where the ball lay, a flight is another's
CENTRE_SHARE = 0.02  # of the diameter: panels and blur shift the measured centre by this much
SIZE_SHARE = 0.05
LOFT_STARTS_MPS = (0.0, 1.5, 3.5)
LIFTED_M = 0.10  # higher than this above rolling, a flight counts as lofted
NEVER_S = 1e6
CLOSE_ENOUGH = 1e-5  # relative change of cost or parameters at which a fit stops
FIRST_STEPS, MOST_STEPS = 20, 80  # of each start; of the best of them, to the end
SMALL_STEP = float(np.finfo(np.float64).eps) ** 0.5  # of a forward difference (Press et al. 5.7)
BREAK_SIGMAS = 5.0
SIZE_SAYS_SIGMAS = 6.0

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Flight:
    """A fitted flight.

    Attributes
    ----------
    kick_time_s : fitted time of contact (of the first sighting when the start was not seen).
    start_m : (X, Y) of the ball at contact.
    velocity_mps : (VX, VY, VZ) just after contact.
    loss_mps2 : deceleration along the ground.
    radius_m : the ball's radius.
    covariance : (7, 7) of (kick_time_s, X, Y, VX, VY, VZ, loss_mps2).
    sightings : the sightings that the flight explains, up to the first break.
    end_s : time of the last of them.
    rms_sigmas : root mean square of the residuals in standard deviations.
    start_seen : the ball was seen at rest on ``start_m`` before the kick.
    """

    kick_time_s: float
    start_m: tuple[float, float]
    velocity_mps: tuple[float, float, float]
    loss_mps2: float
    radius_m: float
    covariance: F64
    sightings: tuple[BallSighting, ...]
    end_s: float
    rms_sigmas: float
    start_seen: bool

    @property
    def parameters(self) -> F64:
        """(7,) kick_time_s, X, Y, VX, VY, VZ, loss_mps2."""
        return np.array([self.kick_time_s, *self.start_m, *self.velocity_mps, self.loss_mps2])

    def centre_m(self, times_s: npt.ArrayLike) -> F64:
        """Centre of the ball at given times, (N, 3) metres."""
        return path_m(self.parameters, np.asarray(times_s, dtype=np.float64), self.radius_m)

    def speed_mps(self) -> tuple[float, float]:
        """Speed just after contact and its sigma, m/s."""
        v = np.asarray(self.velocity_mps)
        speed = float(np.linalg.norm(v))
        along = v / max(speed, 1e-9)
        return speed, float(np.sqrt(max(0.0, float(along @ self.covariance[3:6, 3:6] @ along))))

    def apex_m(self) -> float:
        """Greatest height of the ball's bottom over the ground, metres."""
        return max(0.0, self.velocity_mps[2]) ** 2 / (2 * GRAVITY_MPS2)

    @property
    def lofted(self) -> bool:
        """Whether the ball left the ground by more than a rolling ball's bobble."""
        return self.apex_m() > LIFTED_M


def path_m(parameters: F64, times_s: F64, radius_m: float) -> F64:
    """Centre of a ball that is kicked, perhaps flies and bounces, and slows down on the ground.

    Parameters
    ----------
    parameters : (..., 7) kick_time_s, X, Y, VX, VY, VZ, loss_mps2.
    times_s : (N,)
    radius_m : the ball's radius; its centre's least height.

    Returns
    -------
    (..., N, 3) metres. Before the kick the ball rests; it never rolls backwards.
    """
    t0, x0, y0, vx, vy, vz, loss = (parameters[..., i, None] for i in range(7))
    elapsed = np.maximum(0.0, times_s - t0)
    speed = np.hypot(vx, vy)
    # Constant deceleration on the ground: s = v t - a t^2 / 2 until v / a.
    rolls_s = np.where(loss > 1e-6, speed / np.maximum(loss, 1e-6), np.inf)
    rolling = np.minimum(elapsed, rolls_s)
    travelled = speed * rolling - 0.5 * loss * rolling**2
    height, lost = _height_m(elapsed, vz)
    along = (travelled - lost * speed) / np.maximum(speed, 1e-9)
    return np.stack([x0 + vx * along, y0 + vy * along, radius_m + height], axis=-1)


def _height_m(elapsed: F64, vz: F64) -> tuple[F64, F64]:
    """Height over the ground and seconds' worth of forward speed lost in bounces.

    Parameters
    ----------
    elapsed : (..., N) seconds since the kick.
    vz : (..., 1) upward speed at the kick, m/s.
    """
    height = np.zeros_like(elapsed)
    lost = np.zeros_like(elapsed)
    start, up, keep = np.zeros_like(vz), vz, 1.0
    for _ in range(4):
        flies = up >= 0.3  # lower means less than half a centimetre
        if not flies.any():
            break
        land = start + np.where(flies, 2 * up / GRAVITY_MPS2, NEVER_S)
        t = elapsed - start
        during = flies & (t >= 0) & (elapsed < land)
        height += np.where(during, up * t - 0.5 * GRAVITY_MPS2 * t**2, 0.0)
        lost += keep * (1 - GROUND_KEEP) * np.maximum(0.0, elapsed - land)
        start, up, keep = land, up * BOUNCE, keep * GROUND_KEEP
    return height, lost


def fit_flight(
    camera: Camera,
    ball_diameter_m: float,
    sightings: Sequence[BallSighting],
    rest: BallSighting | None,
    kick_window_s: tuple[float, float] | None = None,
) -> Flight | None:
    """Fit a flight to the sightings that follow a kick.

    Parameters
    ----------
    camera : camera over the ground.
    ball_diameter_m : diameter of the ball.
    sightings : in order of time, after the kick; may run on after a rebound or a stop.
    rest : the ball at rest before the kick, when it was seen.
    kick_window_s : earliest and latest time of contact, when known.

    Returns
    -------
    Flight, or None when the sightings do not hang together as a flight.
    """
    part = _unbroken(camera, ball_diameter_m, sightings)
    # A kink close to the kick may be the foot leaving the ball, or the ball leaving the ground.
    starts = {part.start, 0}
    fits = [
        _fit_without_strays(
            camera, ball_diameter_m, tuple(sightings[start : part.stop]), rest, kick_window_s
        )
        for start in sorted(starts)
    ]
    flight = max(
        (f for f in fits if f is not None),
        key=lambda f: _explained(camera, f, sightings[: part.stop]),
        default=None,
    )
    rest_of_it = sightings[part.stop :]
    if flight is None or not rest_of_it:
        return flight
    # A bounce is a kink on the ground but not in the flight: take in what still lies on it.
    off = residual_sigmas(camera, flight, rest_of_it) > BREAK_SIGMAS
    onward = int(np.argmax(off)) if off.any() else len(off)
    if onward < 2:
        return flight
    longer = (*flight.sightings, *rest_of_it[:onward])
    return _fit_without_strays(camera, ball_diameter_m, longer, rest, kick_window_s) or flight


def _explained(camera: Camera, flight: Flight, sightings: Sequence[BallSighting]) -> float:
    """How much of the sightings a flight explains: each counts the more, the nearer it lies."""
    off = residual_sigmas(camera, flight, sightings)
    return float(np.sum(np.clip(1 - off / BREAK_SIGMAS, 0, 1)))


def _fit_without_strays(
    camera: Camera,
    diameter_m: float,
    used: tuple[BallSighting, ...],
    rest: BallSighting | None,
    window_s: tuple[float, float] | None,
) -> Flight | None:
    for _ in range(4):
        if len(used) < 3:
            return None
        flight = _fit(camera, diameter_m, used, rest, window_s)
        if flight is None:
            return None
        kept = _before_break(camera, flight, used)
        if len(kept) == len(used):
            return flight
        used = kept
    return None


def residual_sigmas(camera: Camera, flight: Flight, sightings: Sequence[BallSighting]) -> F64:
    """Distance of each sighting from the fitted flight in standard deviations, (N,).

    Before a net or a shoe a ball's outline is often half found: its middle is then off by up to
    half of what is missing, and its size says no more than ``SIZE_SAYS_SIGMAS``.
    """
    table = _table(sightings)
    diameter_m = 2 * flight.radius_m
    _, size_px = camera.ball_image(flight.centre_m(table[0]), diameter_m)
    missing_px = np.nan_to_num(np.maximum(0.0, size_px - table[3]))
    table[4] = np.hypot(table[4], missing_px / 2)
    misfit = _misfit(camera, diameter_m, flight.parameters, table)
    misfit[2] = np.clip(misfit[2], -SIZE_SAYS_SIGMAS, SIZE_SAYS_SIGMAS)
    per_sighting: F64 = np.sqrt(np.mean(misfit**2, axis=0))
    return per_sighting


def _table(sightings: Sequence[BallSighting]) -> F64:
    """(6, N): time, x, y, diameter, sigma of the centre, sigma of the diameter."""
    rows = [
        (
            s.time_s,
            s.x_px,
            s.y_px,
            s.diameter_px,
            np.hypot(s.sigma_px, CENTRE_SHARE * s.diameter_px + 0.3),
            np.hypot(s.diameter_sigma_px, SIZE_SHARE * s.diameter_px + 0.3),
        )
        for s in sightings
    ]
    return np.array(rows, dtype=np.float64).T


def _misfit(camera: Camera, diameter_m: float, parameters: F64, table: F64) -> F64:
    """Residuals in standard deviations: x, y, diameter; 20 where the ball can't be seen.

    Parameters
    ----------
    parameters : (..., 7); table : (6, N) as `_table` makes it.

    Returns
    -------
    (..., 3, N)
    """
    ways = path_m(parameters, table[0], diameter_m / 2)
    centre, size = camera.ball_image(ways.reshape(-1, 3), diameter_m)
    seen = np.stack([centre[:, 0], centre[:, 1], size]).reshape(3, *ways.shape[:-1])
    misfit = (np.moveaxis(seen, 0, -2) - table[1:4]) / table[[4, 4, 5]]
    return np.asarray(np.nan_to_num(np.clip(misfit, -200, 200), nan=20.0), np.float64)


def _fit(
    camera: Camera,
    diameter_m: float,
    sightings: tuple[BallSighting, ...],
    rest: BallSighting | None,
    window_s: tuple[float, float] | None,
) -> Flight | None:
    table = _table(sightings)
    pixels = [(s.x_px, s.y_px) for s in sightings]
    ground = camera.ball_on_ground(pixels, diameter_m)
    space = camera.ball_position(pixels, table[3], diameter_m)[:, :2]
    ground = np.where(np.isfinite(ground), ground, space)
    if not np.isfinite(ground).all():
        return None
    times = table[0]
    first_s = float(times[0])
    if rest is not None:
        start = camera.ball_on_ground([(rest.x_px, rest.y_px)], diameter_m)[0]
        start_sigma = 0.02 + 0.01 * float(np.hypot(*start))
        earliest = min(window_s[0] if window_s else first_s - 1.0, first_s - 1e-3)
        time_prior = None
    else:
        start, start_sigma = ground[0], 1.0
        earliest, time_prior = first_s - 1e-3, first_s
    if not np.isfinite(start).all():
        return None

    def cost(p: F64) -> F64:
        """(3 N + 5,) residuals of parameters (7,), or (M, 3 N + 5) of (M, 7)."""
        extra = [
            (p[..., 1] - start[0]) / start_sigma,
            (p[..., 2] - start[1]) / start_sigma,
            (p[..., 6] - ROLL_LOSS_MPS2) / ROLL_LOSS_SIGMA_MPS2,
            p[..., 5] / LOFT_SIGMA_MPS,
            0.0 * p[..., 0] if time_prior is None else (p[..., 0] - time_prior) / 1e-3,
        ]
        misfit = _misfit(camera, diameter_m, p, table)
        flat = misfit.reshape(*misfit.shape[:-2], -1)
        return np.concatenate([flat, np.stack(extra, axis=-1)], axis=-1)

    lower = np.array([earliest, -200, -200, -60, -60, 0.0, 0.0])
    upper = np.array([first_s, 200, 200, 60, 60, 12.0, MAX_ROLL_LOSS_MPS2])
    descend = partial(
        least_squares,
        cost,
        jac=partial(_slopes, cost, upper),
        bounds=(lower, upper),
        loss="soft_l1",
        f_scale=2.0,
        x_scale="jac",
        ftol=CLOSE_ENOUGH,
        xtol=CLOSE_ENOUGH,
    )
    begun = []
    for loft in LOFT_STARTS_MPS:
        guess = _first_guess(times, space if loft else ground, start, rest is not None, loft)
        guess[0] = np.clip(guess[0], earliest + 1e-4, first_s - 1e-4)
        guess = np.clip(guess, lower + 1e-6, upper - 1e-6)
        begun.append(descend(guess, max_nfev=FIRST_STEPS))
    best = min(begun, key=lambda found: found.cost)
    if best.status == 0:  # it may go on; from a worse start so far, it would not lead elsewhere
        best = descend(best.x, max_nfev=MOST_STEPS)
    if rest is not None and np.hypot(*(best.x[1:3] - start)) > ASTRAY_SIGMAS * start_sigma:
        return None
    misfit = _misfit(camera, diameter_m, best.x, table)
    rms = float(np.sqrt(np.mean(np.minimum(misfit**2, 100.0))))
    jacobian = np.asarray(best.jac, dtype=np.float64)
    information = jacobian.T @ jacobian + 1e-9 * np.eye(7)
    covariance = np.asarray(np.linalg.pinv(information) * max(1.0, rms**2), np.float64)
    return Flight(
        float(best.x[0]),
        (float(best.x[1]), float(best.x[2])),
        (float(best.x[3]), float(best.x[4]), float(best.x[5])),
        float(best.x[6]),
        diameter_m / 2,
        covariance,
        sightings,
        float(times[-1]),
        rms,
        rest is not None,
    )


def _slopes(cost: Callable[[F64], F64], upper: F64, p: F64) -> F64:
    """Jacobian (R, 7) of residuals by forward differences, all in one call: far fewer of them."""
    step = SMALL_STEP * np.maximum(1.0, np.abs(p))
    moved = p + np.diag(np.where(p + step > upper, -step, step))
    values = cost(np.vstack([p, moved]))
    return np.asarray((values[1:] - values[0]).T / (np.diag(moved) - p), np.float64)


def _first_guess(times: F64, ground: F64, start: F64, from_rest: bool, loft: float) -> F64:
    away = ground - start
    slope, _ = np.polyfit(times[:6] - times[0], away[:6], 1)
    t0 = times[0]
    if from_rest:
        speed = float(np.hypot(*slope))
        if speed > 1e-6:
            t0 = times[0] - float(np.hypot(*away[0])) / speed
    return np.array([t0, start[0], start[1], slope[0], slope[1], loft, ROLL_LOSS_MPS2])


def _unbroken(camera: Camera, diameter_m: float, sightings: Sequence[BallSighting]) -> slice:
    """Leave out what is still at the foot, and what follows the first rebound, catch or touch."""
    pixels = np.array([(s.x_px, s.y_px) for s in sightings])
    sigma_px = _table(sightings)[4]
    ground = camera.ball_on_ground(pixels, diameter_m)
    # One step along each picture axis tells how far a slip of that size goes on the ground.
    right = camera.ball_on_ground(pixels + np.column_stack([sigma_px, 0 * sigma_px]), diameter_m)
    down = camera.ball_on_ground(pixels + np.column_stack([0 * sigma_px, sigma_px]), diameter_m)
    sigma_m = np.hypot(right - ground, down - ground) + 0.01
    good = np.isfinite(ground).all(axis=1) & np.isfinite(sigma_m).all(axis=1)
    if not good.all():
        return slice(0, len(sightings))
    times = np.array([s.time_s for s in sightings])
    return unbroken_part(times, ground, sigma_m)


def _before_break(
    camera: Camera, flight: Flight, sightings: tuple[BallSighting, ...]
) -> tuple[BallSighting, ...]:
    """Cut where the sightings leave the fitted flight for good."""
    off = residual_sigmas(camera, flight, sightings) > BREAK_SIGMAS
    if not off.any():
        return sightings
    if off[-1]:
        last_good = int(np.flatnonzero(~off)[-1]) if (~off).any() else -1
        return sightings[: last_good + 1]
    return tuple(s for s, bad in zip(sightings, off, strict=True) if not bad)
