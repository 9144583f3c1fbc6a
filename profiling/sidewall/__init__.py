"""sidewall: from a squash shot log to a player's own loose-ball threshold.

Everything a notebook needs is here::

    import sidewall as sw

    shots = sw.read_shots("ladder.csv")
    model = sw.TightnessModel().fit(shots)
    model.thresholds()
    sw.plot_threshold(model, "Rowan")

Names are loaded when they are first used, so that importing the package stays quick;
``__init__.pyi`` beside this file lists them.
"""

from __future__ import annotations

import lazy_loader

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
