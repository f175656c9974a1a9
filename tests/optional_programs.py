"""Marks for tests that need a program of the machine: they skip with a word where it is missing.

``ANTECURVE_NEEDS_CHROMIUM``, ``..._NGSPICE`` and ``..._SOUND`` forbid the skip: where everything
should be installed, a missing program fails.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

AXE = Path(__file__).parents[1] / ".axe" / "node_modules" / "axe-core" / "axe.min.js"


def _portaudio() -> bool:
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError):
        return False
    return True


def _needs(variable: str, installed: bool, reason: str) -> pytest.MarkDecorator:
    demanded = bool(os.environ.get(f"ANTECURVE_NEEDS_{variable}"))
    return pytest.mark.skipif(not installed and not demanded, reason=reason)


def _installed(*programs: str) -> bool:
    return all(map(shutil.which, programs))


needs_chromium = _needs(
    "CHROMIUM",
    _installed("chromium-headless-shell") or _installed("chromium"),
    "Chromium (Debian's package) is not installed",
)
needs_axe = _needs(
    "CHROMIUM", AXE.exists(), "axe-core is not installed: npm install --prefix .axe axe-core"
)
needs_ngspice = _needs(
    "NGSPICE", _installed("ngspice"), "ngspice (Debian's package) is not installed"
)
needs_sound_server = _needs(
    "SOUND",
    _installed("pulseaudio", "parec", "pacat") and _portaudio(),
    "needs pulseaudio, pulseaudio-utils, libasound2-plugins, libportaudio2",
)
