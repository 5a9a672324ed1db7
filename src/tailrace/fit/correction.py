"""Closed forms corrected by what the simulation says: smooth and fast, for a fit to go by.

Space mapping: Bandler and others, IEEE Trans. Microwave Theory Tech. 42, 1994 (from memory). All models here give
logarithms of predictions, shape (n,), from logarithms of parameters, shape (p,).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tailrace.arrays import FloatArray
from tailrace.measure.fit import Fit, Model

ROUGH_ROUNDS, ROUGHLY = 4, 0.1
"""Corrections of the level alone, until no parameter moves farther than this."""

ROUNDS = 3
EFFECT, LEAST_STEP, MOST_STEP = 0.15, 0.15, 0.5
"""Each parameter is moved so far that some prediction changes by so much: half a per cent of noise hardly blurs it."""

NEARBY = 0.05
"""Distance over which the effect of a parameter is found."""

CHANCE = 3.0
"""Multiple of its noise by which the simulation may lie from the corrected closed forms."""


class Simulation(Protocol):
    """Predictions with noise. Random numbers are common to calls with the same ``draw``; short where ``rough``."""

    def __call__(self, theta: FloatArray, draw: int, rough: bool = False) -> FloatArray: ...


@dataclass(frozen=True)
class Corrected:
    """A model that holds near where it was corrected, and the noise of one simulation, shape (n,)."""

    model: Model
    noise: FloatArray


def fit_through(
    rough: Model, simulation: Simulation, fitted: Callable[[Model, FloatArray], Fit], start: Fit
) -> tuple[Model, Fit, float]:
    """The corrected closed forms where ``fitted`` has led, the fit, and how far the simulation lies from it there.

    The distance is a root mean square, 0 where it may be chance or is small beside the residuals.
    """
    found = _near(rough, simulation, fitted, start)
    draws = 1
    for _ in range(ROUNDS):
        at = found.theta
        steps = np.clip(EFFECT / np.maximum(effects(rough, at), 1e-9), LEAST_STEP, MOST_STEP)
        corrected = correct(rough, simulation, at, steps, draws)
        found = fitted(corrected.model, at)
        apart = simulation(found.theta, draws + at.size) - found.predicted
        draws += at.size + 1
        distance, noise = (float(np.sqrt(np.mean(each**2))) for each in (apart, corrected.noise))
        if distance <= max(CHANCE * noise, found.spread / 2):
            return corrected.model, found, 0.0
    return corrected.model, found, distance


def correct(rough: Model, simulation: Simulation, at: FloatArray, steps: FloatArray, draw: int) -> Corrected:
    """Add to closed forms what the simulation says beyond them around ``at``, in level and slope.

    Each parameter is moved by its step to either side with random numbers in common, so that the difference is its own
    effect; other parameters have others, so that their noise in the level averages out.
    """
    levels, tilts = [], []
    for number, move in enumerate(np.diag(steps)):
        above, below = (simulation(theta, draw + number) - rough(theta) for theta in (at + move, at - move))
        levels.append((above + below) / 2)
        tilts.append((above - below) / (2 * steps[number]))
    level, tilt = np.mean(levels, axis=0), np.stack(tilts, axis=1)
    return Corrected(lambda theta: rough(theta) + level + tilt @ (theta - at), np.std(levels, axis=0))


def effects(model: Model, at: FloatArray) -> FloatArray:
    """How steeply the prediction that depends most on each parameter changes with it; shape (p,)."""
    return np.asarray(np.abs(slopes(model, at, np.full(at.size, NEARBY))).max(axis=0))


def slopes(model: Model, at: FloatArray, steps: FloatArray) -> FloatArray:
    """Derivatives by differences over so much to either side; shape (n, p)."""
    return np.stack(
        [(model(at + move) - model(at - move)) / (2 * move.sum()) for move in np.diag(steps)], axis=1
    )


def _near(
    rough: Model, simulation: Simulation, fitted: Callable[[Model, FloatArray], Fit], start: Fit
) -> Fit:
    """A fit by closed forms whose level alone is corrected, again and again, by short runs."""
    found = start
    for _ in range(ROUGH_ROUNDS):
        level = simulation(found.theta, 0, rough=True) - rough(found.theta)
        moved = fitted(_raised(rough, level), found.theta)
        close = bool(np.max(np.abs(moved.theta - found.theta)) < ROUGHLY)
        found = moved
        if close:
            break
    return found


def _raised(rough: Model, level: FloatArray) -> Model:
    return lambda theta: rough(theta) + level
