"""What the tests of every room may use."""

import functools
import gc
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import chdir, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

import vrn
from vrn.many import sign

if TYPE_CHECKING:
    from vrn.prescription.model import Prescription

DEMO_FIELDS = Path(__file__).resolve().parents[1] / "demo_fields"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program sets it for itself, before NumPy is loaded
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # else every program that a test starts compiles all modules anew
settings.register_profile("suite", deadline=None, derandomize=True)  # the same examples everywhere, untimed
settings.register_profile("long", deadline=None)  # drawn at random, for `pytest -m long`


gc.set_threshold(20_000, 50, 50)  # as the program does
sign.usable_processors = lambda: 1  # reports are set in this process, where their libraries are loaded already


def pytest_configure(config: pytest.Config) -> None:
    """Order of files; draws of hypothesis: by the clock in the long run only, or as ``--hypothesis-profile`` says."""
    config.option.loadscopereorder = False  # files go to the workers in our order
    if not config.getoption("--hypothesis-profile"):
        settings.load_profile("long" if config.getoption("-m") == "long" else "suite")


LONGEST = (  # begun first, so that no worker is left alone with one of them at the end
    "test_many_fields", "test_desk", "test_learning", "test_hard_endings", "test_other_systems", "test_cluster",
    "test_truth", "test_golden_pages", "test_notebooks", "test_headers", "test_spoiled", "test_compare_applied",
    "test_already_on", "test_pipeline_laws", "test_unreached_ground", "test_demo_variants", "test_own_need",
    "test_pipeline", "test_trial_plots", "test_report", "test_readings", "test_desk_day", "test_field_page_in_browser",
    "test_server_book", "test_robust", "test_from_an_empty_folder", "test_harvest",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first, by the clock; the others as they come."""
    place = {name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(LONGEST)))


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The browser, or a skip that says why there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra: test)")
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("no chromium on this machine")
    with sync_api.sync_playwright() as playwright:
        # nothing resolves, so a request would fail even if the page's policy let it out
        browser = playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
        )
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def run_vrn() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs the program in this process, where its libraries are loaded; the report is set here too."""

    def run(*arguments: object, cwd: Path | str = ".") -> subprocess.CompletedProcess[str]:
        from vrn.cli import main

        words, told, complaint = [*map(str, arguments)], StringIO(), StringIO()
        with chdir(cwd), redirect_stdout(told), redirect_stderr(complaint):
            status = main(words)
        return subprocess.CompletedProcess(words, status, told.getvalue(), complaint.getvalue())

    return run


@pytest.fixture
def quick_reports(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line of text for each report, set in this process: they have tests of their own and take most of the time."""
    monkeypatch.setattr("vrn.pages.report_page.write_reports", _short)


@pytest.fixture(scope="module")
def quick_module() -> Iterator[None]:
    """The same for every test of a module, and for the folders that they share."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("vrn.pages.report_page.write_reports", _short)
        yield


_SHORT_ELSEWHERE = """
import sys
from importlib.machinery import PathFinder

class _Short:
    def find_spec(self, name, path=None, target=None):
        if name != "vrn.pages.report_page":
            return None
        spec = PathFinder.find_spec(name, path)
        really = spec.loader.exec_module

        def load(module):
            really(module)
            module.write_reports = short
            module.reports_of = lambda _prescription: (b"", b"", b"")
            module.load_libraries = lambda: None

        spec.loader.exec_module = load
        return spec

def short(_prescription, *paths, **_made):
    for path in paths:
        path.write_text("short for this test\\n", encoding="utf-8")

sys.meta_path.insert(0, _Short())
"""


@pytest.fixture(scope="module")
def quick_elsewhere(quick_module: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The same in every process that a test starts, too."""
    folder = tmp_path_factory.mktemp("short")
    (folder / "sitecustomize.py").write_text(_SHORT_ELSEWHERE, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join([str(folder), *filter(None, [os.environ.get("PYTHONPATH")])]))
        yield


@pytest.fixture
def quick_pages(quick_reports: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """The map as well."""
    monkeypatch.setattr("vrn.pages.map_page.write_map", _short)


def _short(_prescription: object, *paths: Path, **_made: object) -> None:
    for path in paths:
        path.write_text("short for this test\n", encoding="utf-8")


@pytest.fixture(scope="session")
def demo_built() -> Callable[[str], "Prescription"]:
    """The prescription of a demo field, built once."""
    return functools.cache(lambda name: vrn.build(vrn.read_field(DEMO_FIELDS / name / "field.toml")))
