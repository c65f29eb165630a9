"""Spoiled inputs of the ten laws of what comes in: read right, refused, or asked about, by check and build alike."""

import json
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from corpus import CASES, Case

import vrn.ingest
import vrn.pipeline
from vrn.cli import main
from vrn.errors import VrnError

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

_SHORT = {4: 10, 8: 10}  # cases of a law that are built in the short run; of the others, five
_seen: Counter[int] = Counter()


def _marked(case: Case) -> Any:
    """A case, those that build beyond the first few of their law for the long run."""
    _seen[case.law] += case.ends != "refused"
    late = case.ends != "refused" and _seen[case.law] > _SHORT.get(case.law, 5)
    return pytest.param(case, id=f"{case.law} {case.name}", marks=[pytest.mark.long] if late else [])


def test_corpus_is_large_and_its_names_are_unique() -> None:
    """Ten cases or more for each of the ten laws."""
    count = Counter(case.law for case in CASES)
    assert set(count) == set(range(1, 11))
    assert min(count.values()) >= 10
    assert len({(case.law, case.name) for case in CASES}) == len(CASES)


def _once(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Read and build once, hand the same to the second command; what was built, or the error, is in the list."""

    def only(real: Callable[..., Any], made: list[Any]) -> Callable[..., Any]:
        def work(*given: Any, **choices: Any) -> Any:
            if not made:
                try:
                    made.append(real(*given, **choices))
                except VrnError as error:
                    made.append(error)
            if isinstance(made[0], Exception):
                raise made[0]
            return made[0]

        return work

    built: list[Any] = []
    monkeypatch.setattr(vrn.ingest, "read_field", only(vrn.ingest.read_field, []))
    monkeypatch.setattr(vrn.pipeline, "build", only(vrn.pipeline.build, built))
    monkeypatch.setattr("vrn.many.task.write_checked", lambda *_, **__: SimpleNamespace(ok=True))
    return built


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@pytest.mark.parametrize("case", [_marked(case) for case in CASES])
def test_spoiled_input_is_never_built_in_silence(
    case: Case, field_folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same status of check and build: 0 with the right numbers, 2 with problem and remedy, 1 with its warning."""
    case.spoil(field_folder)
    path, stick = str(field_folder / "field.toml"), field_folder.parent / "stick"
    built = _once(monkeypatch)
    status = main(["check", path, "--json"])
    said = capsys.readouterr()
    assert main(["build", path, "--usb", str(stick)]) == status == {"right": 0, "warned": 1, "refused": 2}[case.ends], (
        said.err or [one for one in json.loads(said.out)["findings"] if one["level"] == "warning"]
    )
    if case.ends == "refused":
        assert capsys.readouterr().err == said.err
        assert re.fullmatch(r"vrn: .+\n     .+\n", said.err)
        assert re.search(case.says, said.err), said.err
        return
    codes = {one["code"] for one in json.loads(said.out)["findings"] if one["level"] == "warning"}
    assert codes == {one.code for one in built[0].findings if one.level == "warning"}
    assert case.ends == "right" or case.says in codes
    _numbers(case, built[0])


def _numbers(case: Case, prescription: Any) -> None:
    """What was read and what goes into the tank, where the case says."""
    field, rate = prescription.field, prescription.rates[0]
    if case.ppm is not None:
        ppm = field.samples.nitrate_ppm
        np.testing.assert_allclose(ppm[np.isfinite(ppm)], case.ppm, rtol=1e-4)
    for layer, values in ((field.yield_potential, case.yields), (field.organic_matter, case.matter)):
        if values is not None:
            np.testing.assert_allclose(layer.values[np.isfinite(layer.values)], values[0], rtol=1e-5)
    if case.gallons is not None:
        assert rate.product_per_ac / rate.rate_n_lb_ac == pytest.approx(case.gallons)
        assert rate.rate_product == rate.product_per_ac


@pytest.mark.parametrize(("name", "status"), [("pounds with a density", 0), ("one of 480", 1), ("ppm all 300", 2)])
def test_check_and_a_build_that_writes_end_alike(name: str, status: int, field_folder: Path, tmp_path: Path) -> None:
    """With files written and verified, nothing is different; what is refused writes nothing."""
    next(case for case in CASES if case.name == name).spoil(field_folder)
    path, stick = str(field_folder / "field.toml"), tmp_path / "stick"
    stick.mkdir()
    assert main(["check", path]) == main(["build", path, "--usb", str(stick)]) == status
    assert any(stick.iterdir()) is (status < 2)
