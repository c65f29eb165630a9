"""Signing: published vectors of Ed25519 through the calls used here, random changes, forgeries, strange keys."""

import hashlib
import json
import os
import random
import re
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from cryptography.hazmat.primitives import serialization as form
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

from vrn.audit import verify
from vrn.audit.signature_checks import read_public_key, verified
from vrn.cli import main
from vrn.errors import InputFileError, OutputError
from vrn.files.approval import identified
from vrn.files.signature import fingerprint, make_key, public_hex, read_key
from vrn.many.questions import known_keys, record_key
from vrn.model.settings import ReviewSection
from vrn.nitrogen.ledger import Line
from vrn.pipeline.order import write
from vrn.prescription.model import Prescription, Signed

# RFC 8032 § 7.1 and Project Wycheproof; the file names the cases
VECTORS = json.loads((Path(__file__).parent / "ed25519_vectors.json").read_text(encoding="utf-8"))


def test_ed25519_vectors_of_rfc_8032() -> None:
    """Section 7.1: public key and signature of each secret key, and the check of it."""
    for secret, public, message, signature in VECTORS["rfc_8032"]:
        key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
        assert public_hex(key) == public
        assert key.sign(bytes.fromhex(message)).hex() == signature
        assert verified(bytes.fromhex(public), bytes.fromhex(signature), bytes.fromhex(message))


def test_ed25519_vectors_of_project_wycheproof() -> None:
    """Each of its 210 cases: what is valid holds, what is invalid does not; some it leaves to the library."""
    cases = [(public, *case) for public, some in VECTORS["wycheproof"].items() for case in some]
    assert sorted(case[1] for case in cases) == list(range(1, 211))
    for public, number, message, signature, result in cases:
        holds = verified(bytes.fromhex(public), bytes.fromhex(signature), bytes.fromhex(message))
        assert result == "acceptable" or holds == (result == "valid"), number


@pytest.fixture(scope="module", autouse=True)
def quick_papers() -> Iterator[None]:
    """Pages whose words are whole, with empty pictures and a line for each paper."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("matplotlib.backends.backend_agg.FigureCanvasAgg.draw", lambda canvas: canvas.get_renderer())
        for name in ("report_pdf", "job_ticket"):
            patch.setattr(f"vrn.pages.report_page.{name}", lambda *_: b"short for this test")
        yield


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A private key; its public key lies beside it."""
    path = tmp_path_factory.mktemp("keys") / "marsh.key"
    make_key(path)
    return path


def sign_folder(prescription: Prescription, folder: Path, key: Path | None, name: str = "A. Marsh") -> Path:
    """Write a prescription as signed."""
    private = None if key is None else read_key(key)
    line = Line(key="prices", label="Prices", lb_ac=-2.5, basis="", source="")
    priced = tuple(replace(rate, prices=line) for rate in prescription.rates)
    built = identified(replace(prescription, rates=priced))
    review = ReviewSection(approved_by=name, approved_on=date(2026, 6, 16), approved_id=built.id)
    settings = replace(built.field.settings, review=review)
    public = None if private is None else public_hex(private)
    signed = Signed(entered_on=date(2026, 6, 17), public_key=public)
    whole = replace(built, field=replace(built.field, settings=settings), signed=signed)
    return write(whole, folder, key=private)


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory, maker: ModuleType, key: Path) -> Path:
    """A folder signed with the key."""
    return sign_folder(maker.make_prescription(), tmp_path_factory.mktemp("signed") / "rx", key)


@pytest.fixture(scope="module")
def draft(tmp_path_factory: pytest.TempPathFactory, maker: ModuleType) -> Path:
    """The same as a draft."""
    return write(maker.make_prescription(), tmp_path_factory.mktemp("draft") / "rx")


@pytest.fixture
def copy(signed: Path, tmp_path: Path) -> Path:
    """A copy to forge."""
    return Path(shutil.copytree(signed, tmp_path / "copy"))


def test_a_signed_folder_says_who_signed_what(signed: Path, draft: Path, key: Path) -> None:
    """Key, name, date, id and number of files; a draft says that it is one."""
    found = verify(signed, public_key=key.with_name("marsh.key.pub"))
    assert found.ok, found.failed
    (who,) = [check for check in found.checks if check.code == "audit.signed-with-key"]
    summary = json.loads((signed / "summary.json").read_text(encoding="utf-8"))
    assert who.quantities["name"].value == "A. Marsh"
    assert who.quantities["id"].value == summary["id"][:10]
    assert who.quantities["mark"].value == fingerprint(public_hex(read_key(key)))
    assert who.quantities["files"].value == len(summary["files"]) - 1  # all but signature.json
    assert "audit.draft" in {check.code for check in verify(draft).checks}
    assert {check.code for check in verify(draft, public_key=key.with_name("marsh.key.pub")).failed} == {"audit.no-key"}


def _changed_byte(folder: Path, rng: random.Random) -> str:
    """Change one byte of one file; its name."""
    name = rng.choice(sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()))
    content = bytearray((folder / name).read_bytes())
    at = rng.randrange(len(content))
    content[at] ^= rng.randrange(1, 256)
    (folder / name).write_bytes(content)
    return name


def _byte_is_named(signed: Path, folder: Path, rng: random.Random) -> None:
    """A change of one byte is found and its file named (a summary that cannot be read any more is refused)."""
    from vrn.audit.opened import open_folder
    from vrn.audit.paper_checks import hash_checks
    from vrn.audit.signature_checks import signature_checks

    name = _changed_byte(folder, rng)
    try:
        opened = open_folder(folder)
        found = [check for check in (*hash_checks(opened), *signature_checks(opened)) if not check.ok]
    except InputFileError as error:
        named = {"summary.json"} if "summary.json" in error.problem else set()
    else:
        named = {check.about for check in found} | {
            part for check in found if "names" in check.quantities
            for part in str(check.quantities["names"].value).split(", ")
        }  # fmt: skip
    assert name in named, name
    shutil.copy(signed / name, folder / name)


def test_a_hundred_changes_of_one_byte_are_each_named(signed: Path, copy: Path) -> None:
    """At random places of random files of a signed folder; no hash is rewritten."""
    rng = random.Random(16)
    for _ in range(100):
        _byte_is_named(signed, copy, rng)


@pytest.mark.long
def test_a_thousand_changes_of_one_byte_are_each_named(signed: Path, copy: Path) -> None:
    """The same, a thousand times."""
    rng = random.Random(1600)
    for _ in range(1000):
        _byte_is_named(signed, copy, rng)


def renew_hashes(folder: Path, *, signature_too: bool = True) -> None:
    """Let every list of hashes be of the files as they are now; the signature itself cannot be made again."""
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    path = folder / "signature.json"
    if path.exists() and signature_too:
        entry = json.loads(path.read_text(encoding="utf-8"))
        entry["files"] = {name: _sha(folder / name) for name in entry["files"] if (folder / name).exists()}
        import rfc8785

        entry["summary"] = hashlib.sha256(rfc8785.dumps({**summary, "files": {}})).hexdigest()
        path.write_text(json.dumps(entry), encoding="utf-8")
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {"summary.json"}
    summary["files"] = {name: _sha(folder / name) for name in sorted(names)}
    text = json.dumps(summary, indent=2, ensure_ascii=False) + "\n"
    (folder / "summary.json").write_text(text, encoding="utf-8")


def _sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _text(name: str, old: str, new: str, *, count: int = 1) -> Callable[[Path], str]:
    """A forgery that puts one text for another; returns the file's name."""

    def forge(folder: Path) -> str:
        text = (folder / name).read_text(encoding="utf-8")
        changed = re.sub(old, new, text, count=count)
        assert changed != text, name
        (folder / name).write_text(changed, encoding="utf-8")
        return name.split("/", maxsplit=1)[0] if name.startswith("TASKDATA") else name

    return forge


def _json(name: str, change: Callable[[Any], None]) -> Callable[[Path], str]:
    """A forgery of a JSON file."""

    def forge(folder: Path) -> str:
        value = json.loads((folder / name).read_text(encoding="utf-8"))
        change(value)
        (folder / name).write_text(json.dumps(value), encoding="utf-8")
        return name

    return forge


def _cell(change: Callable[[np.ndarray], None]) -> Callable[[Path], str]:
    """A forgery of the task's grid."""

    def forge(folder: Path) -> str:
        path = folder / "TASKDATA" / "GRD00001.BIN"
        cells = np.frombuffer(path.read_bytes(), "<i4").copy()
        change(cells)
        path.write_bytes(cells.astype("<i4").tobytes())
        return "TASKDATA"

    return forge


def _double_one(cells: np.ndarray) -> None:
    middle = np.flatnonzero(cells > 0)[len(np.flatnonzero(cells > 0)) // 2]
    cells[middle] *= 2


def _outside(cells: np.ndarray) -> None:
    cells[0 if cells[0] == 0 else np.flatnonzero(cells == 0)[0]] = cells.max()


def _sql(statement: str) -> Callable[[Path], str]:
    """A forgery of the GeoPackage."""

    def forge(folder: Path) -> str:
        base = sqlite3.connect(folder / "layers.gpkg")
        triggers = base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'zones'")
        for (name,) in triggers.fetchall():
            base.execute(f"DROP TRIGGER {name}")  # they call functions that plain SQLite lacks
        base.execute(statement)
        base.commit()
        base.close()
        return "layers.gpkg"

    return forge


def _bytes(name: str, old: bytes, new: bytes) -> Callable[[Path], str]:
    """A forgery of bytes for as many others."""

    def forge(folder: Path) -> str:
        content = (folder / name).read_bytes()
        assert old in content
        (folder / name).write_bytes(content.replace(old, new.ljust(len(old)), 1))
        return name

    return forge


def _raster_cell(folder: Path) -> str:
    import rasterio

    path = folder / "rasters" / "rate.tif"
    with rasterio.open(path) as file:
        values, profile, tags, unit = file.read(1), file.profile, file.tags(), file.units
    values[values.shape[0] // 2, values.shape[1] // 4] += 40.0
    for key in ("tiled", "blockxsize", "blockysize", "interleave"):
        profile.pop(key, None)
    with rasterio.open(path, "w", **{**profile, "driver": "COG"}) as file:
        file.write(values, 1)
        file.update_tags(**tags)
        file.units = unit
    return "rasters/rate.tif"


GEOJSON, GPX, SHEET, XML = "prescription.geojson", "field.gpx", "load_sheet.txt", "TASKDATA/TASKDATA.XML"
FORGERIES: dict[str, Callable[[Path], str]] = {
    "sheet: product of a zone": _text(SHEET, r"16\.95", "26.95"),
    "sheet: area of a zone": _text(SHEET, r"14\.83", "14.93"),
    "sheet: nitrogen of a zone": _text(SHEET, r" 95\.0", " 85.0"),
    "sheet: total of all": _text(SHEET, r"(all +)29\.66", r"\g<1>39.66"),
    "sheet: draft": _text(SHEET, "Approved by [^\n]+", "DRAFT: not approved"),
    "sheet: another signer": _text(SHEET, "A. Marsh", "B. Marsh"),
    "sheet: another id": _text(SHEET, r"Prescription \w{10}", "Prescription 0123456789"),
    "sheet: a zone less": _text(SHEET, r"\n +2 [^\n]+", ""),
    "ledger: a line": _text("ledger.csv", r"(Soil,)-40\.25", r"\g<1>-30.25", count=0),
    "ledger: prices": _text("ledger.csv", r"(Prices,)-2\.5", r"\g<1>2.5"),
    "summary: prices": _json("summary.json", lambda value: value["zones"][0].update(prices_lb_ac=-3.5)),
    "ledger: a key": _text("ledger.csv", "soil_nitrate", "credits"),
    "ledger: a zone's area": _text("ledger.csv", r"\n1,14\.8", "\n1,15.8"),
    "zones.csv: area": _text("zones.csv", r"\n1,14\.8", "\n1,15.8"),
    "zones.csv: product": _text("zones.csv", r"16\.95", "15.95", count=0),
    "zones.csv: nitrogen": _text("zones.csv", r",60\.0,", ",61.0,", count=0),
    "zones.csv: status": _text("zones.csv", "Approved by A. Marsh", "Approved by B. Marsh"),
    "zones.csv: unit": _text("zones.csv", "gal/ac", "lb/ac"),
    "GPX: boundary moved": _text(GPX, r'<trkpt lat="42\.3', '<trkpt lat="42.4'),
    "GPX: a sample moved": _text(GPX, r'<wpt lat="42\.30', '<wpt lat="42.31'),
    "GPX: a reading": _text(GPX, r"[\d.]+ ppm", "1.5 ppm"),
    "GeoJSON: acres": _text(GEOJSON, r'"acres":14\.8', '"acres":15.8'),
    "GeoJSON: status": _text(GEOJSON, "Approved by A. Marsh on 2026-06-16", "DRAFT: not approved"),
    "GeoJSON: product": _text(GEOJSON, "UAN 32", "UAN 28"),
    "GeoJSON: a corner by a centimetre": _json(
        GEOJSON, lambda value: value["features"][0]["geometry"]["coordinates"][0][1].__setitem__(1, 42.2999)
    ),
    "task: draft": _text(XML, 'B="N 2026', 'B="DRAFT N 2026'),
    "task: another id": _text(XML, r'(TSK A="TSK1" B="[^"]* )\w{10}"', r'\g<1>0123456789"'),
    "task: another field's name": _text(XML, r'TSK1" B="N 2026 Test', 'TSK1" B="N 2026 West'),
    "grid: one cell doubled": _cell(_double_one),
    "grid: a cell outside": _cell(_outside),
    "raster: one cell": _raster_cell,
    "raster: status": _bytes("rasters/rate.tif", b"Approved by A. Marsh", b"Approved by B. Marsh"),
    "GeoPackage: status": _sql("UPDATE zones SET status = 'DRAFT: not approved'"),
    "map: draft": _text("map.html", r"<h1>([^<]+)", r'<h1>\1 <strong class="draft">DRAFT</strong>'),
    "map: a rate": _text("map.html", r'"rate":60\.0', '"rate":70.0'),
    "report: another id": _text("report.html", r"Prescription \w{10}", "Prescription 0123456789"),
    "summary: draft": _json("summary.json", lambda value: value.update(approved=False)),
    "summary: a rate": _json("summary.json", lambda value: value["zones"][0].update(rate_n_lb_ac=61.0)),
    "summary: total": _json("summary.json", lambda value: value.update(total_product=700.0)),
    "signature: name": _json("signature.json", lambda value: value.update(name="B. Marsh")),
    "signature: note": _json("signature.json", lambda value: value.update(note="as it pleases")),
    "statement: a rate": _json("statement.json", lambda value: value["zones"][0].update(rate_n_lb_ac=61.0)),
}


@pytest.mark.parametrize("forgery", FORGERIES.values(), ids=FORGERIES)
def test_forgeries_with_every_hash_rewritten_are_named(copy: Path, forgery: Callable[[Path], str]) -> None:
    """The file is named although each list of hashes has been made to fit it."""
    from vrn.audit.opened import open_folder
    from vrn.audit.signature_checks import signature_checks
    from vrn.audit.statement_checks import statement_checks

    name = forgery(copy)
    renew_hashes(copy)
    opened = open_folder(copy)
    named = {check.about for check in (*statement_checks(opened), *signature_checks(opened)) if not check.ok}
    assert name in named, named
    assert "signature.json" in named  # whatever was forged, the key has not signed it


METRIC_FORGERIES: dict[str, Callable[[Path], str]] = {
    "zones.csv: area": _text("zones.csv", r"\n1,6\.0", "\n1,6.1"),
    "zones.csv: nitrogen": _text("zones.csv", r",67\.25\d*,", ",68.25,"),
    "zones.csv: product": _text("zones.csv", r",158\.57\d*,L/ha", ",159.577,L/ha"),
    "zones.csv: trade unit": _text("zones.csv", ",L/ha,", ",gal/ac,"),
    "ledger: a line": _text("ledger.csv", r"(Soil,)-45\.11\d*", r"\g<1>-35.11"),
    "ledger: prices": _text("ledger.csv", r"(Prices,)-2\.80\d*", r"\g<1>-2.5"),
    "summary: metric prices": _json("summary.json", lambda value: value["zones"][0].update(prices_kg_ha=-2.5)),
    "GeoJSON: nitrogen": _text(GEOJSON, r'"rate_n_kg_ha":67\.25\d*', '"rate_n_kg_ha":68.25'),
    "GeoJSON: area": _text(GEOJSON, r'"area_ha":6\.0', '"area_ha":6.1'),
    "GeoJSON: trade unit": _text(GEOJSON, '"rate_unit":"L/ha"', '"rate_unit":"gal/ac"'),
    "sheet: rate": _text(SHEET, r" 158\.58", " 159.58"),
    "summary: rate": _json("summary.json", lambda value: value["zones"][0].update(rate_product=9.0)),
    "summary: metric rate": _json("summary.json", lambda value: value["zones"][0].update(rate_n_kg_ha=68.25)),
}


@pytest.fixture(scope="module")
def signed_metric(tmp_path_factory: pytest.TempPathFactory, maker: ModuleType, key: Path) -> Path:
    """A metric field's folder signed with the key."""
    return sign_folder(maker.make_prescription(units="metric"), tmp_path_factory.mktemp("metric") / "rx", key)


def test_forgeries_of_a_metric_folder_are_named(signed_metric: Path, tmp_path: Path) -> None:
    """Each in a copy, every list of hashes made to fit it."""
    from vrn.audit.opened import open_folder
    from vrn.audit.statement_checks import statement_checks

    assert verify(signed_metric).ok
    for number, (what, forgery) in enumerate(METRIC_FORGERIES.items()):
        forged = Path(shutil.copytree(signed_metric, tmp_path / str(number)))
        name = forgery(forged)
        renew_hashes(forged)
        named = {check.about for check in statement_checks(open_folder(forged)) if not check.ok}
        assert name in named, what


def test_a_stranger_who_signs_anew_is_named_file_by_file(maker: ModuleType, key: Path, tmp_path: Path) -> None:
    """Other rates, a key of one's own, every hash right: only the pinned key tells, and names each file."""
    stranger = tmp_path / "stranger.key"
    make_key(stranger)
    forged = sign_folder(maker.make_prescription(rates_n_lb_ac=[100.0, 95.0, 130.0]), tmp_path / "rx", stranger)
    assert verify(forged, public_key=stranger.with_name("stranger.key.pub")).ok
    found = verify(forged, public_key=key.with_name("marsh.key.pub"))
    listed = json.loads((forged / "summary.json").read_text(encoding="utf-8"))["files"]
    assert {check.about for check in found.failed if check.code == "audit.other-key"} == set(listed)


def test_keys_that_a_book_knows(signed: Path, draft: Path, key: Path, tmp_path: Path) -> None:
    """One of its keys: as signed. Revoked later: as signed, told. Revoked before, or another's: named file by file."""
    book, mark = tmp_path / "season.db", fingerprint(read_public_key(key.with_name("marsh.key.pub")))
    assert verify(signed, keys={}).ok
    record_key(book, mark)
    assert known_keys(book) == {mark: None}
    assert verify(signed, keys=known_keys(book)).ok
    for day, codes in ((date(2026, 6, 18), set()), (date(2026, 6, 16), {"audit.key-revoked"})):
        found = verify(signed, keys={mark: day})  # entered on 17 June
        assert {check.code for check in found.failed} == codes
        assert found.ok == ("audit.key-revoked-since" in {check.code for check in found.checks})
    other = "-".join(["abcd"] * 8)
    listed = json.loads((signed / "summary.json").read_text(encoding="utf-8"))["files"]
    assert {check.about for check in verify(signed, keys={other: None}).failed} == set(listed)
    assert {check.code for check in verify(draft, keys={mark: None}).failed} == {"audit.no-key"}
    record_key(book, mark, revoked_on=date(2026, 7, 1))
    assert known_keys(book) == {mark: date(2026, 7, 1)}
    with pytest.raises(InputFileError):
        record_key(book, mark)


def test_the_signature_of_another_folder_is_named(signed: Path, draft: Path, tmp_path: Path, maker: ModuleType) -> None:
    """Laid beside a draft, and in the place of another prescription's."""
    beside = Path(shutil.copytree(draft, tmp_path / "beside"))
    shutil.copy(signed / "signature.json", beside / "signature.json")
    renew_hashes(beside, signature_too=False)
    assert "audit.signature-beside-draft" in {check.code for check in verify(beside).failed}
    assert main(["sign", str(beside), "--by", "A. Marsh"]) == 2


def test_a_key_is_private_and_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Mode 0600, the public key beside it, the fingerprint printed; a second run is refused and changes nothing."""
    path = tmp_path / "own.key"
    assert main(["key", "--out", str(path)]) == 0
    told = capsys.readouterr().out
    public = read_public_key(tmp_path / "own.key.pub")
    assert fingerprint(public) in told
    assert public == public_hex(read_key(path))
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    before = path.read_bytes()
    assert main(["key", "--out", str(path)]) == 2
    assert path.read_bytes() == before
    path.unlink()
    with pytest.raises(OutputError):
        make_key(path)  # its public key is still there
    assert not path.exists()


def test_a_locked_key_needs_its_passphrase(tmp_path: Path) -> None:
    """Right, wrong and none."""
    path = tmp_path / "locked.key"
    make_key(path, "corn in june")
    assert public_hex(read_key(path, "corn in june")) == read_public_key(tmp_path / "locked.key.pub")
    for wrong in ("", "corn in july"):
        with pytest.raises(InputFileError):
            read_key(path, wrong)


def test_keys_that_are_none_are_refused(tmp_path: Path, signed: Path, key: Path) -> None:
    """Public for private, private for public, damaged, of another kind, missing: exit 2, and nothing is written."""
    other = X25519PrivateKey.generate()
    pem, nothing = form.Encoding.PEM, form.NoEncryption()
    (tmp_path / "other.key").write_bytes(other.private_bytes(pem, form.PrivateFormat.PKCS8, nothing))
    (tmp_path / "other.pub").write_bytes(other.public_key().public_bytes(pem, form.PublicFormat.SubjectPublicKeyInfo))
    (tmp_path / "damaged.key").write_bytes(key.read_bytes()[:60])
    (tmp_path / "damaged.pub").write_bytes(key.with_name("marsh.key.pub").read_bytes().replace(b"M", b"%"))
    before = _tree(signed)
    public = key.with_name("marsh.key.pub")
    for path in (public, tmp_path / "damaged.key", tmp_path / "other.key", tmp_path / "missing.key"):
        assert main(["sign", str(signed), "--by", "A. Marsh", "--key", str(path)]) == 2
    for path in (key, tmp_path / "damaged.pub", tmp_path / "other.pub", tmp_path / "missing.pub"):
        assert main(["verify", str(signed), "--key", str(path)]) == 2
    assert _tree(signed) == before


def _tree(folder: Path) -> dict[str, str]:
    return {path.relative_to(folder).as_posix(): _sha(path) for path in folder.rglob("*") if path.is_file()}
