"""The two chances of winning a rally, checked, and shifted for a derivative."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array, Bools, Floats
from sidewall.errors import DataError
from sidewall.scoring.expectations import Number

#: Which rallies a change of the chance applies to.
Shifted = Literal["both", "serve", "receive"]

#: Size of the imaginary step; its square is lost against 1, so no error comes from the step.
_STEP: Final = 1e-30


@dataclass(frozen=True)
class Chances:
    """Chances of winning a rally, flat, with the shape that answers go back to.

    Attributes
    ----------
    serve, receive : ndarray, shape (n,)
        Chance of winning a rally one serves and a rally one receives. Complex while a
        derivative is taken.
    shape : tuple of int
        Joint shape of what was given.
    """

    serve: Array
    receive: Array
    shape: tuple[int, ...]

    @property
    def handed_back(self) -> Bools:
        """Where the receiver wins every rally, so that a rally never settles anything."""
        return np.asarray((self.serve.real == 0.0) & (self.receive.real == 1.0))

    @property
    def settled(self) -> Array:
        """``1 - (1 - serve) * receive``: chance that a serve is not lost and won straight back.

        Written as a sum of parts, which loses no digits where it is small. NaN where it is 0.
        """
        total = self.serve + (1.0 - self.receive) * (1.0 - self.serve)
        return np.where(self.handed_back, np.nan, total)

    def stacked(self) -> Array:
        """Chances as an array of shape (2, 1, n): receiving first, then serving."""
        return np.stack([self.receive, self.serve])[:, None, :]

    def shifted(self, on: Shifted) -> Chances:
        """Step into the imaginary direction, to read a derivative from.

        Source: Squire & Trapp 1998, SIAM Review 40:110-112.

        Raises
        ------
        DataError
            If `on` is not known, or the receiver wins every rally.
        """
        if on not in get_args(Shifted):
            raise DataError(f"on={on!r} is not known; use {', '.join(get_args(Shifted))}.")
        if self.handed_back.any():
            raise DataError(
                "Where p_serve is 0 and p_receive is 1 the receiver wins every rally and a gain "
                "has no meaning: raise p_serve above 0 or lower p_receive below 1."
            )
        step = 1j * _STEP
        return Chances(
            self.serve + (step if on != "receive" else 0j),
            self.receive + (step if on != "serve" else 0j),
            self.shape,
        )

    def restore(self, values: Array) -> Number:
        """Give flat values the shape of what was asked: a float for two numbers."""
        return float(values[0]) if self.shape == () else values.reshape(self.shape)

    def restore_slope(self, values: Array) -> Number:
        """Read the derivative out of values that were computed from shifted chances."""
        return self.restore(values.imag / _STEP)


def read_chances(p_serve: ArrayLike, p_receive: ArrayLike) -> Chances:
    """Check both probabilities and bring them to one shape.

    Raises
    ------
    DataError
        If a probability is no number or outside 0 to 1, or the shapes do not go together.
    """
    serve, receive = _checked("p_serve", p_serve), _checked("p_receive", p_receive)
    try:
        serve, receive = np.broadcast_arrays(serve, receive)
    except ValueError:
        raise DataError(
            f"p_serve has shape {serve.shape} and p_receive {receive.shape}, which do not go "
            "together: give arrays of one shape, or a single number for one of them."
        ) from None
    return Chances(serve.ravel(), receive.ravel(), serve.shape)


def _checked(name: str, given: ArrayLike) -> Floats:
    try:
        p = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError):
        raise DataError(
            f"{name} holds {given!r}, which is not a number: give the share of rallies won, "
            "such as 0.52."
        ) from None
    wrong = ~((p >= 0.0) & (p <= 1.0))
    if wrong.any():
        at = tuple(int(i) for i in np.argwhere(wrong)[0])
        where = f" at position {', '.join(map(str, at))}" if at else ""
        raise DataError(
            f"{name} is {float(p[at]):g}{where}, which is not a probability: give the share of "
            "rallies won between 0 and 1, such as 0.52 for 52 in a hundred."
        )
    return p
