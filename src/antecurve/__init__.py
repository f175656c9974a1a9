"""antecurve: passive RC networks that put a recording curve before a playback preamplifier.

``antecurve.design(antecurve.default_job())`` does the whole main job.  The stub beside this file
declares the names of the main job; they load on first use.  Import any other from its module.
"""

from __future__ import annotations

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
