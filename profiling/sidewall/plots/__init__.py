"""Pictures: each function draws one, takes ``ax=None`` and returns matplotlib axes.

Drawing libraries are loaded when the first picture is asked for; ``__init__.pyi`` beside this
file says where each stands.
"""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
