"""What every fit has in common: parameters in the constructor, results that end in ``_``.

The contract is scikit-learn's: the constructor stores what it is given, `fit` returns the
object, `sklearn.base.clone` makes an unfitted copy. It is kept here and not inherited, since
importing scikit-learn takes about as long as importing pandas, and most commands need none of it.
"""

from __future__ import annotations

from html import escape
from inspect import signature
from typing import Any, Self

from sidewall.errors import DataError, NotFittedError


class Estimator:
    """Base class of everything that has a `fit`.

    Examples
    --------
    >>> import sidewall as sw
    >>> sw.TightnessModel(outcome="rally", draws=200)
    TightnessModel(outcome='rally', draws=200)
    >>> sw.TightnessModel().set_params(horizon=2).get_params()["horizon"]
    2
    """

    #: What `fit` takes, and the result that is there once it has come to its end.
    _asks, _result = "shots", ""

    @classmethod
    def _parameters(cls) -> dict[str, Any]:
        """Names of the constructor's parameters with their defaults."""
        found = signature(cls).parameters
        return {name: one.default for name, one in found.items()}

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Parameters as they were given; with `deep` also those of parameters that have some."""
        found = {name: getattr(self, name) for name in self._parameters()}
        if deep:
            for name, value in list(found.items()):
                if isinstance(value, Estimator):
                    found |= {f"{name}__{k}": v for k, v in value.get_params().items()}
        return found

    def set_params(self, **params: Any) -> Self:
        """Change parameters, by the checks of the constructor; takes effect at the next fit.

        Raises
        ------
        DataError
            For a parameter that there is not.
        """
        known = self.get_params(deep=False)
        for name in params:
            if name not in known:
                raise DataError(
                    f"{type(self).__name__} has no parameter {name!r}; it has {', '.join(known)}"
                )
        fresh = type(self)(**known | params)
        for name in params:
            setattr(self, name, getattr(fresh, name))
        return self

    def __sklearn_is_fitted__(self) -> bool:
        """Whether results are there."""
        return hasattr(self, self._result)

    def need_fit(self) -> None:
        """Refuse to answer before a fit.

        Raises
        ------
        NotFittedError
        """
        if not self.__sklearn_is_fitted__():
            raise NotFittedError(f"call {type(self).__name__}().fit({self._asks}) first")

    def __repr__(self) -> str:
        """The call that makes it, without what is usual."""
        told = []
        for name, default in self._parameters().items():
            value = getattr(self, name)
            if value is not default and not (type(value) is type(default) and value == default):
                told.append(f"{name}={value!r}")
        return f"{type(self).__name__}({', '.join(told)})"

    def _facts(self) -> dict[str, str]:
        """What a notebook shows of a fit."""
        return {}

    def _repr_html_(self) -> str:
        """The call, and of a fit its facts and notes."""
        parts = [f"<code>{escape(repr(self))}</code>"]
        if self.__sklearn_is_fitted__():
            rows = "".join(
                f"<tr><th>{escape(name)}</th><td>{escape(told)}</td></tr>"
                for name, told in self._facts().items()
            )
            parts += [f"<table>{rows}</table>"] if rows else [" fitted"]
            notes = "".join(f"<li>{escape(str(one))}</li>" for one in getattr(self, "notes_", ()))
            parts += [f"<ul>{notes}</ul>"] if notes else []
        return f"<div>{''.join(parts)}</div>"
