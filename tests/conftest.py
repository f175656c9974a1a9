"""Shared fixtures: the default design is made once."""

from __future__ import annotations

import compileall
import gc
import os
import random
import shutil
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

# Tests run side by side on all cores; threads inside one calculation only get in the way.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# Tests start dozens of processes: whatever the machine says, they find their modules compiled.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# Thousands of tests live to the end: looking for garbage among them is no use, nor while they are
# collected (`pytest_collection_finish` sets them apart).
gc.set_threshold(50_000, 20, 50)
gc.disable()
# A shell ignores it for what it starts in the background, and so would what the tests start.
signal.signal(signal.SIGINT, signal.default_int_handler)
# Tables are as wide as they are, whatever terminal the tests run in.
os.environ.pop("COLUMNS", None)

import pytest  # noqa: E402

from antecurve.job import default_job  # noqa: E402
from antecurve.pick import early_bound  # noqa: E402
from antecurve.pipeline import Design, design  # noqa: E402

DATA = Path(__file__).parent / "data"
# Each takes more than ten seconds of a worker: begun last, they would leave the others idle.
LONG = frozenset(
    {
        "app", "browser", "formulas", "processes", "test_box", "test_build_commands", "test_judge",
        "test_judge_simulation", "test_judge_two_channel", "test_judge_unfit_units", "test_measure",
        "test_notebooks", "test_pick_search", "test_pins", "test_switched_box",
        "test_switched_sharing",
    }
)  # fmt: skip
_TOGETHER = {
    "tests/app/": "app",  # one process from which those of computations are forked
    "tests/browser/": "browser",  # one Chromium
    "test_surroundings.py": "processes",  # one process that has the package loaded
    "test_killed_runs.py": "processes",
    "test_terminal_widths.py": "processes",
    "test_synthesis_formulas.py": "formulas",  # each derived once
    "test_stored_formulas.py": "formulas",
    "test_curves_formulas.py": "formulas",
    "test_worked_numbers.py": "formulas",
    "unit/test_names.py": "sources",  # each module parsed once
    "unit/test_layers.py": "sources",
    "unit/test_sentences.py": "sources",
}


def shared_by(nodeid: str) -> str:
    """Name what a test shares with others, so that they run on one worker: mostly its file."""
    if "test_pins.py" in nodeid:  # pinned jobs share nothing
        return nodeid
    shared = (name for part, name in _TOGETHER.items() if part in nodeid)
    return next(shared, nodeid.split("::")[0])


for _folder in (".", "oracle", "cli", "app"):  # helpers that stand beside the tests
    sys.path.insert(0, str(Path(__file__).parent / _folder))

from long_form import LONG_FORM, kept  # noqa: E402


def _is_long(nodeid: str) -> bool:
    return Path(shared_by(nodeid).split("::")[0]).stem in LONG


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--shuffle",
        type=int,
        metavar="SEED",
        help="run the tests of each file, and files, in any order",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Compile the package before workers begin, who would each do so at the same time."""
    if not hasattr(config, "workerinput") and config.getoption("numprocesses", None):
        compileall.compile_dir(Path(__file__).parents[1] / "src", quiet=2)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Run long files first; shuffle the others, and the tests of each, where asked to.

    What a file's tests share is still made once.  Of sweeps a few cases run, unless the long form
    or single files or tests are asked for (`long_form`).
    """
    paths = sorted({item.path for item in items})
    rank = {path: float(number) for number, path in enumerate(paths)}
    seed = config.getoption("--shuffle")
    if not LONG_FORM and not any(".py" in argument for argument in config.args):
        chosen = kept(items, seed)
        config.hook.pytest_deselected(items=[item for item in items if item not in chosen])
        items[:] = [item for item in items if item in chosen]
    if seed is not None:
        rng = random.Random(seed)
        rank = {path: rng.random() for path in paths}
        rng.shuffle(items)
    items.sort(key=lambda item: (not _is_long(item.nodeid), rank[item.path]))


def pytest_collection_finish() -> None:
    """Look for garbage again, but not among what collecting has made, which stays."""
    gc.freeze()
    gc.enable()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than cores: sound plays and pages wait in real time, and leave a core idle."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Keep on one worker what shares something."""
    from xdist.scheduler import LoadFileScheduling

    class ByShared(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return shared_by(nodeid)

    return ByShared(config, log)


@pytest.fixture(scope="session", autouse=True)
def _temporary_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep temporary files of tests, and of what they start, in the folder of this run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TMPDIR", str(tmp_path_factory.mktemp("temporary")))
        patch.setattr("tempfile.tempdir", None)
        yield


@pytest.fixture(scope="session")
def default_design() -> Design:
    return design(default_job())


@pytest.fixture(scope="module")
def hurried_bounds() -> Iterator[None]:
    """Leave little time for bounds of searches that end early, where these are not the point.

    They would take up to eight seconds more, as `test_pick_early_bound.py` tests.
    """
    with pytest.MonkeyPatch.context() as patch:
        for name in ("_BOUND_SECONDS", "_LEAST_SECONDS", "_LEAST_OWN_SECONDS"):
            patch.setattr(early_bound, name, 0.1)
        yield


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One browser for all tests of pages."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=shutil.which("chromium-headless-shell") or shutil.which("chromium"),
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                # A foreign name that leads to this machine, for sites that would attack it.
                "--host-resolver-rules=MAP elsewhere.example 127.0.0.1",
            ],
        )
        yield chromium
        chromium.close()
