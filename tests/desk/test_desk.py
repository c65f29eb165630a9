"""The desk answers its own page only, opens nothing outside its folder, and keeps what a person wrote."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from markupsafe import escape
from starlette.testclient import TestClient

from vrn.desk import app as desk_app
from vrn.desk import fields
from vrn.desk.app import make_app
from vrn.desk.edit import FieldFile, digest_of, lines_of_phones
from vrn.desk.form import changes_of, form_of
from vrn.desk.session import Sessions
from vrn.prescription.model import Prescription

ORIGIN = "http://127.0.0.1:8000"
PAGES = ("/fields", "/stick", "/season", "/edge", *(f"/fields/mill_race{part}" for part in
         ("", "/readings", "/layers", "/settings", "/zones", "/trial", "/sign", "/applied")))  # fmt: skip


def _hidden(text: str, name: str = "seen") -> str:
    return text.split(f'name="{name}" value="')[1].split('"')[0]


def test_a_token_opens_once(farm: Path) -> None:
    """Without the token nothing is shown; the token works once; no script and no other site has the cookie."""
    sessions = Sessions(hosts=("127.0.0.1:8000",))
    app = make_app(farm, sessions)
    token, browser = sessions.token, TestClient(app, base_url=ORIGIN)
    assert browser.get("/fields").status_code == 403
    assert browser.get("/?token=guess").status_code == 403
    first = browser.get(f"/?token={token}", follow_redirects=False)
    assert first.status_code == 303
    kept = first.headers["set-cookie"].lower()
    assert "httponly" in kept
    assert "samesite=strict" in kept
    assert browser.get("/fields").status_code == 200
    assert TestClient(app, base_url=ORIGIN).get(f"/?token={token}").status_code == 403
    app.state.desk.worker.close()


@pytest.mark.parametrize("path", PAGES)
def test_foreign_hosts_and_origins_are_refused(client: TestClient, quick_look: None, path: str) -> None:
    """A name that points here, and a form of another site, get nothing; no page lets anything foreign in."""
    for foreign in ({"host": "evil.example:8000"}, {"host": "127.0.0.1:81"}, {"origin": "http://evil.example"},
                    {"origin": "null"}, {"sec-fetch-site": "cross-site"}):  # fmt: skip
        assert client.get(path, headers=foreign).status_code == 403
        assert client.post(path, headers=foreign, data={"a": "b"}).status_code == 403
    without = TestClient(client.app, base_url=ORIGIN, cookies=client.cookies)
    assert without.post("/fields/mill_race/undo", data={}).status_code == 403
    answer = client.get(path)
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "script-src 'self';" in policy
    assert "unsafe" not in policy
    assert not re.search(
        r"<script(?![^>]*(\bsrc=\"/|application/json))[^>]*>|\son\w+=|javascript:|(src|href|action)=\"(https?:)?//",
        answer.text,
    )


def test_no_path_leads_out_of_the_folder(client: TestClient, farm: Path, tmp_path: Path) -> None:
    """Neither dots, nor absolute paths, nor links open anything that is not below the field's own output."""
    (tmp_path / "secret.txt").write_text("secret", encoding="utf-8")
    (farm / "mill_race_rx").mkdir()
    (farm / "mill_race_rx" / "zones.csv").write_text("zone\n1\n", encoding="utf-8")
    (farm / "mill_race_rx" / "link.txt").symlink_to(tmp_path / "secret.txt")
    (tmp_path / "elsewhere").mkdir()
    shutil.copy(farm / "mill_race" / "field.toml", tmp_path / "elsewhere")
    (farm / "linked").symlink_to(tmp_path / "elsewhere")
    assert client.get("/fields/mill_race/files/zones.csv").status_code == 200
    for name in ("link.txt", "../mill_race/field.toml", "../../secret.txt", str(tmp_path / "secret.txt"), "a\0b", ""):
        for spelled in (quote(name), quote(name, safe=""), name.replace("/", "%2F").replace("\0", "%00")):
            answer = client.get(f"/fields/mill_race/files/{spelled}")
            assert answer.status_code in (307, 400, 404, 405), (name, answer.status_code)
            assert "secret" not in answer.text.replace("secret.txt", "")
    for field in ("linked", "..", ".", "%2e%2e", "mill_race%2F.."):
        assert client.get(f"/fields/{field}/settings").status_code == 404


def test_an_upload_has_a_limit(farm: Path, open_desk: Callable[..., TestClient]) -> None:
    """Said or not, what is too large is not taken, and nothing of it is left."""
    client = open_desk(farm, most_bytes=20_000)
    big = {"files": ("a.csv", b"x" * 30_000)}
    assert client.post("/fields", data={"name": "A"}, files=big).status_code == 413

    def chunks() -> object:
        yield from (b"x" * 1000 for _ in range(40))

    kind = {"content-type": "multipart/form-data; boundary=b"}
    assert client.post("/fields", content=chunks(), headers=kind).status_code in (400, 413)
    assert [path.name for path in farm.iterdir()] == ["mill_race"]


def test_a_setting_is_saved_with_the_comments(client: TestClient, farm: Path) -> None:
    """One line changes; undo gives the very bytes back; a file changed meanwhile is not written over."""
    path = farm / "mill_race" / "field.toml"
    before = path.read_text(encoding="utf-8")
    form = client.get("/fields/mill_race/settings").text
    seen = _hidden(form)
    answer = client.post(
        "/fields/mill_race/settings", data={"seen": seen, "machine.swath_ft": "45", "prices.per_reading": "12.5"}
    )
    assert answer.status_code == 200
    after = path.read_text(encoding="utf-8")
    changed = {line for line in after.splitlines() if line not in before.splitlines()}
    assert {line.split("=")[0].strip() for line in changed} <= {"swath_ft", "per_reading", "[prices]"}
    assert tomllib.loads(after)["machine"]["swath_ft"] == 45
    assert [line for line in before.splitlines() if "#" in line and "swath" not in line] == [
        line for line in after.splitlines() if "#" in line and "swath" not in line
    ]
    stale = client.post(
        "/fields/mill_race/settings", data={"seen": seen, "machine.swath_ft": "30", "job.operator": "Ann"}
    )
    assert stale.status_code == 409
    assert path.read_text(encoding="utf-8") == after
    assert 'value="Ann"' in stale.text
    assert 'value="30"' in stale.text
    again = client.post("/fields/mill_race/settings", data={"seen": _hidden(stale.text), "machine.swath_ft": "30"})
    assert again.status_code == 200
    assert tomllib.loads(path.read_text(encoding="utf-8"))["machine"]["swath_ft"] == 30
    for _ in range(2):
        client.post("/fields/mill_race/undo", data={"seen": digest_of(path.read_bytes())})
    assert path.read_text(encoding="utf-8") == before


def test_a_wrong_line_is_told_and_nothing_is_written(client: TestClient, farm: Path) -> None:
    """A number outside its range, a word for a number, an unknown choice: each stays in its line."""
    path = farm / "mill_race" / "field.toml"
    before, seen = path.read_bytes(), _hidden(client.get("/fields/mill_race/settings").text)
    for key, typed in (("machine.swath_ft", "900"), ("crop.yield_goal_bu_ac", "lots"), ("crop.application_date", "x"),
                       ("machine.below_minimum", "x"), ("machine.swath_ft", "nan"), ("field.season", "")):  # fmt: skip
        answer = client.post("/fields/mill_race/settings", data={"seen": seen, key: typed, "machine.sections": "4"})
        assert answer.status_code == 422, key
        assert path.read_bytes() == before


def test_every_key_has_a_line_and_what_it_shows_changes_nothing() -> None:
    """A form sent back as it was shown changes no key, in both unit systems, with and without what may be left out."""
    bare = {
        "field": {"name": "A", "season": 2026, "boundary": "b"},
        "crop": {"yield_goal_bu_ac": 200},
        "samples": {"file": "s"},
    }
    rich = bare | {"applications": [{"date": date(2026, 4, 2), "product": "UAN 28", "n_lb_ac": 40.5}],
                   "product": {"blend": [{"name": "UAN 32", "share": 0.5}]}, "nitrogen": {"tile": True}}  # fmt: skip
    for raw in (bare, rich, {"units": "metric"} | bare, {}):
        shown = {one.name: one.value for section in form_of(raw) for one in section.entries}
        assert changes_of(raw, shown) == ({}, {})
        assert len(shown) > 120
    assert {"applications.0.date", "applications.1.date", "product.blend.1.name"} <= {
        one.name for section in form_of(rich) for one in section.entries
    }


def test_a_line_says_its_range_and_unit_as_the_trade_does() -> None:
    """Two ends are said as "a to b"; a strength of manure is not a volume."""
    lines = {one.name: one for section in form_of({}) for one in section.entries}
    assert lines["crop.yield_goal_bu_ac"].allowed == "20 to 450"
    assert lines["product.n_pct"].allowed == "> 0, ≤ 100"
    assert lines["product.n_lb_per_1000_gal"].unit == "lb per 1,000 gal"


def test_a_mend_without_a_value_is_not_named_by_its_quotes() -> None:
    """A line that only waits for an answer asks for one; a value that would do is named bare."""
    from vrn.desk.session import TRADE, _templates
    from vrn.words import say

    def named(paste: str) -> str:
        made = _templates().get_template("lines.html").make_module({"say": partial(say, TRADE)})
        return re.sub("<[^>]*>", "", str(made.change("/fields/a", paste))).strip()

    fill = say(TRADE, "desk.fill-in")
    assert [named(f"crop.growth_stage = {one}") for one in ('""', "0", '"why you follow this"')] == [fill] * 3
    assert named('samples.moisture_basis = "dry" # or moist') == say(TRADE, "desk.change-it", value='"dry"').replace(
        '"', "&#34;"
    )


def test_a_new_table_of_a_list_is_written(client: TestClient, farm: Path) -> None:
    """Ground typed into the empty lines becomes a table of the file, and goes when its lines are emptied."""
    path = farm / "mill_race" / "field.toml"
    count = len(tomllib.loads(path.read_text(encoding="utf-8")).get("field", {}).get("no_apply", []))
    new = {f"field.no_apply.{count}.file": "well.geojson", f"field.no_apply.{count}.setback_ft": "50"}
    client.post("/fields/mill_race/settings", data={"seen": digest_of(path.read_bytes()), **new})
    tables = tomllib.loads(path.read_text(encoding="utf-8"))["field"]["no_apply"]
    assert tables[count] == {"file": "well.geojson", "setback_ft": 50}
    assert len(tables) == count + 1
    gone = dict.fromkeys(new, "")
    client.post("/fields/mill_race/settings", data={"seen": digest_of(path.read_bytes()), **gone})
    assert len(tomllib.loads(path.read_text(encoding="utf-8"))["field"].get("no_apply", [])) == count


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    path=st.sampled_from([*PAGES, "/", "/assets/x", "/jobs/x", "/jobs/x/events", "/fields/mill_race/undo", "/edge",
                          "/fields/mill_race/files/x"]) | st.text(max_size=20).map(lambda text: "/" + quote(text)),
    method=st.sampled_from(["GET", "POST", "PUT", "HEAD"]),
    data=st.dictionaries(st.sampled_from(["seen", "name", "by", "id", "x.0.y", "field.no_apply.9.file"]),
                         st.text(max_size=30), max_size=4),
)  # fmt: skip
def test_no_request_is_an_error_of_the_desk(
    client: TestClient, quick_look: None, path: str, method: str, data: dict[str, str]
) -> None:
    """Whatever is asked, the answer is a page or a refusal."""
    assert client.request(method, path, data=data if method == "POST" else None).status_code < 500


def test_a_folder_that_cannot_be_opened_is_refused(tmp_path: Path, farm: Path) -> None:
    """No folder, and a field's own folder."""
    from vrn.errors import InputFileError

    for folder in (tmp_path / "none", farm / "mill_race"):
        with pytest.raises(InputFileError):
            make_app(folder, Sessions(hosts=("127.0.0.1:1",)))


def test_undo_gives_back_every_step(farm: Path) -> None:
    """As many steps back as there were changes, and none after them."""
    file = FieldFile(farm / "mill_race" / "field.toml")
    texts = [file.content]
    for goal in (150, 160, 170):
        assert file.change({("crop", "yield_goal_bu_ac"): goal}, seen=digest_of(file.content))
        texts.append(file.content)
    for earlier in reversed(texts[:-1]):
        assert file.undo(seen=digest_of(file.content))
        assert file.content == earlier
    assert not file.undo(seen=digest_of(file.content))


def test_a_killed_writer_loses_nothing_that_it_confirmed(tmp_path: Path) -> None:
    """Every line that was said to be kept is there, whole and in order, wherever kill -9 came."""
    code = (
        "import sys; from pathlib import Path; from vrn.desk.edit import append_line\n"
        "for number in range(100000):\n"
        "    append_line(Path(sys.argv[1]), f'{number},9.5,a'.encode(), header=b'n,ppm,note\\n')\n"
        "    print(number, flush=True)\n"
    )
    path = tmp_path / "readings.csv"
    for _ in range(4):
        path.unlink(missing_ok=True)
        with subprocess.Popen([sys.executable, "-c", code, path], stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            confirmed = [int(writer.stdout.readline()) for _ in range(40)]
            os.kill(writer.pid, signal.SIGKILL)
            confirmed += [int(line) for line in writer.stdout.read().split("\n")[:-1]]
        lines = path.read_text(encoding="utf-8").splitlines()
        assert lines[0] == "n,ppm,note"
        assert lines[1 : len(confirmed) + 1] == [f"{number},9.5,a" for number in confirmed]


def test_a_sample_is_left_out_with_its_reason_and_comes_back(client: TestClient, farm: Path) -> None:
    """It counts no more, a note says why, no other reading moves; taken back, the file is as it was."""
    from vrn.ingest import read_field

    path = farm / "mill_race" / "field.toml"
    before, read = path.read_text(encoding="utf-8"), read_field(path).samples
    gone = read.sample_id[3]
    client.post("/fields/mill_race/readings/left-out", data={"seen": digest_of(path.read_bytes()), "sample": gone})
    assert path.read_text(encoding="utf-8") == before  # no reason, no change
    told = {"seen": digest_of(path.read_bytes()), "sample": gone, "reason": "cored in the old lot"}
    assert client.post("/fields/mill_race/readings/left-out", data=told).status_code == 200
    field = read_field(path)
    assert field.samples.sample_id == tuple(one for one in read.sample_id if one != gone)
    found = [one for one in field.findings if one.code == "samples.left-out-by-hand"]
    assert [one.quantities["reason"].value for one in found] == ["cored in the old lot"]
    assert "cored in the old lot" in client.get("/fields/mill_race/readings").text
    back = {"seen": digest_of(path.read_bytes()), "again": gone}
    client.post("/fields/mill_race/readings/left-out", data=back)
    assert tomllib.loads(path.read_text(encoding="utf-8")) == tomllib.loads(before)


def test_readings_typed_on_two_phones_are_all_kept(client: TestClient, farm: Path) -> None:
    """Each page's last word counts; a line that a crash cut short costs nothing; together they are the samples file."""
    header = "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm\n"

    def sent(device: str, *names: str) -> int:
        text = header + "".join(f"{name},-94.6,42.3,0,12,9.5\n" for name in names)
        body = {"device": device, "key": "plan", "kept": {"done": list(names)}, "text": text}
        return client.post("/edge/mill_race", json=body).status_code

    assert [sent("1234567890-" * 4 + "1", "A"), sent("phone-two", "C"), sent("phone-one", "A", "B")] == [200, 200, 200]
    journal = farm / "mill_race" / "readings_by_hand.jsonl"
    with journal.open("ab") as file:
        file.write(b'{"device": "phone-one", "key": "pl')
    assert sent("phone-two", "C", "D") == 200
    assert client.post("/edge/mill_race", content=b"[]").status_code == 422
    assert client.post("/fields/mill_race/readings/by-hand").status_code == 200
    written = (farm / "mill_race" / "samples_by_hand.csv").read_text(encoding="utf-8").splitlines()
    assert written[0] + "\n" == header
    assert sorted(line[0] for line in written[1:]) == ["A", "B", "C", "D"]
    assert (
        tomllib.loads((farm / "mill_race" / "field.toml").read_text(encoding="utf-8"))["samples"]["file"]
        == "samples_by_hand.csv"
    )


def test_a_correction_counts_whichever_phone_spoke_last() -> None:
    """A phone that opens the page later holds what others read; what was corrected since stays corrected, on each."""

    def kept(device: str, *read: tuple[int, float, str]) -> dict[str, Any]:
        done = [{"row": row, "ppm": ppm, "at": f"10:0{row}", "changed": changed} for row, ppm, changed in read]
        text = "sample_id,nitrate_ppm\n" + "".join(f"S{row},{ppm}\n" for row, ppm, _ in read)
        return {"device": device, "key": "plan", "kept": {"done": done}, "text": text}

    first = kept("phone-one", (1, 12.0, "11:00"), (2, 9.0, ""))
    second = kept("phone-two", (1, 17.0, ""), (2, 8.0, "11:05"), (3, 7.0, ""))
    for order in ((first, second), (second, first)):
        lines = lines_of_phones({one["device"]: one for one in order})
        assert sorted(lines) == [["S1", "12.0"], ["S2", "8.0"], ["S3", "7.0"]]


def test_the_desk_of_a_folder_keeps_its_port_for_the_phone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A phone that waits finds the desk again after it was ended; a second desk of the folder takes another port."""
    monkeypatch.setattr(desk_app, "_address_on_network", lambda: "127.0.0.2")
    with desk_app.open_desk(tmp_path, lan=True) as first, desk_app.open_desk(tmp_path, lan=True) as beside:
        ports = [urlsplit(one.phone_address).port for one in (first, beside)]
    assert ports[0] != ports[1]
    with desk_app.open_desk(tmp_path, lan=True) as again:
        assert urlsplit(again.phone_address).port == ports[0]


def test_a_phone_reads_the_plan_and_nothing_else(farm: Path) -> None:
    """On the network's address not even the desk's own cookie opens another page."""
    sessions = Sessions(hosts=("127.0.0.1:8000", "10.0.0.7:8000"), phone_host="10.0.0.7:8000", phone_token="seven")
    app, at = make_app(farm, sessions), "http://10.0.0.7:8000"
    phone = TestClient(app, base_url=at, headers={"origin": at})
    assert phone.get("/edge").status_code == 403
    assert phone.get("/edge?token=seven").status_code == 200
    assert TestClient(app, base_url=at).get("/edge?token=seven").status_code == 200  # the code can be read again
    other = TestClient(app, base_url=at, headers={"origin": at}, cookies={sessions.cookie_name: sessions.cookie})
    for path in ("/fields", "/fields/mill_race", "/stick", "/season", "/jobs/x"):
        assert phone.get(path).status_code == 403
        assert other.get(path).status_code == 403
    assert phone.post("/fields/mill_race/undo", data={"seen": "x"}).status_code == 403
    app.state.desk.worker.close()


def test_a_dropped_file_of_samples_is_named_with_its_columns(client: TestClient, farm: Path) -> None:
    """A laboratory's own headers become the field file's columns; a file of something else is refused."""
    path = farm / "mill_race" / "field.toml"
    rows = "Sample No;Long (deg);Lat (deg);Depth (in);NO3-N (ppm, dry soil)\n1;-94.65;42.33;0-12;9.5\n"
    data = {"role": "samples", "seen": digest_of(path.read_bytes())}
    client.post("/fields/mill_race/files", data=data, files={"files": ("../lab, June.csv", rows.encode())})
    section = tomllib.loads(path.read_text(encoding="utf-8"))["samples"]
    assert section["file"] == "lab, June.csv"
    assert (farm / "mill_race" / "lab, June.csv").read_text(encoding="utf-8") == rows
    assert section["columns"]["nitrate_ppm"] == "NO3-N (ppm, dry soil)"
    assert section["reported_as"] == "NO3-N"
    kept = path.read_bytes()
    data = {"role": "samples", "seen": digest_of(kept)}
    answer = client.post(
        "/fields/mill_race/files", data=data, files={"files": ("om.csv", b"lon,lat,om_pct\n-94.65,42.33,3\n")}
    )
    assert "om.csv" in answer.text
    assert path.read_bytes() == kept


@pytest.mark.parametrize(("name", "content"), [
    ("a.csv", b"\0\1\2"), ("a.csv", b""), ("a.xlsx", b"PK\3\4 cut short"), ("a.zip", b"PK\5\6" + bytes(18)),
    ("a.tif", b"II*\0"), ("a.geojson", b'{"type": "Feature'), ("a.csv", b"x;y\n1;2\n"), ("a.exe", b"MZ"),
])  # fmt: skip
def test_a_file_that_cannot_be_used_is_said_and_changes_nothing(
    client: TestClient, farm: Path, name: str, content: bytes
) -> None:
    """A problem with its remedy on the page, the field file as it was, and the page of readings still there."""
    before = (farm / "mill_race" / "field.toml").read_bytes()
    sent = {"role": "samples", "seen": digest_of(before)}
    answer = client.post("/fields/mill_race/files", data=sent, files={"files": (name, content)})
    assert answer.status_code < 500
    assert 'class="problem"' in answer.text
    assert (farm / "mill_race" / "field.toml").read_bytes() == before
    for _ in range(2):  # the first looks at the file
        page = client.get("/fields/mill_race/readings").text
    assert 'class="cells"' in page


def test_a_review_of_the_map_goes_into_the_field_file(client: TestClient, farm: Path) -> None:
    """Rates with reasons as tables, comments kept; a rate without a reason, and another key, are refused."""
    path = farm / "mill_race" / "field.toml"
    before = path.read_text(encoding="utf-8")
    review = '[review]\nnote = "looked at"\n\n[[review.override]]\nzone = 1\nrate_n_lb_ac = 90\nreason = "wet spot"\n'

    def sent(text: str) -> int:
        seen = {"x-seen": digest_of(path.read_bytes())}
        return client.post("/fields/mill_race/review", content=text.encode(), headers=seen).status_code

    assert sent("[machine]\nswath_ft = 10\n") == 422
    assert sent(review.replace("wet spot", "")) == 422
    assert path.read_text(encoding="utf-8") == before
    assert sent(review) == 200
    after = path.read_text(encoding="utf-8")
    assert tomllib.loads(after)["review"]["override"] == [{"zone": 1, "rate_n_lb_ac": 90, "reason": "wet spot"}]
    assert all(line in after.splitlines() for line in before.splitlines() if "#" in line)
    stale = client.post("/fields/mill_race/review", content=review.encode(), headers={"x-seen": "old"})
    assert stale.status_code == 409


def test_zones_drawn_by_hand_are_shown_then_kept(client: TestClient, farm: Path) -> None:
    """A split, a merge and moved ground each change what is shown; kept with name and reason, a build takes them."""
    from vrn.ingest import read_field

    at, path = "/fields/mill_race/zones", farm / "mill_race" / "field.toml"
    before, boundary = path.read_bytes(), read_field(path).boundary
    assert client.get(at).status_code == 200

    def drawn(**given: object) -> list[dict[str, object]]:
        answer = client.post(f"{at}/draw", data={name: str(value) for name, value in given.items()})
        assert answer.status_code == 200
        return json.loads(answer.text.split('id="shapes">')[1].split("</script>")[0])

    first = json.loads(client.get(at).text.split('id="shapes">')[1].split("</script>")[0])
    whole = shapely.union_all([shapely.geometry.shape(one["shape"]) for one in first])
    west, south, east, north = whole.bounds
    middle = (south + north) / 2
    line = json.dumps([[west - 0.01, middle], [east + 0.01, middle]])
    split = drawn(tool="split", points=line)
    assert len(split) == len(first) + 1
    assert len(drawn(tool="merge", zone=1, other=2)) == len(first)
    assert len(drawn(tool="undo")) == len(first) + 1
    ring = json.dumps([[west, south], [east, south], [east, middle], [west, middle]])
    moved = drawn(tool="move", points=ring, zone=1)
    again = shapely.union_all([shapely.geometry.shape(one["shape"]) for one in moved])
    assert shapely.area(shapely.symmetric_difference(whole, again)) < 0.002 * shapely.area(whole)
    for bad in ({"tool": "split", "points": "[[0, 0], [1, 1]]"}, {"tool": "split", "points": "x"}, {"tool": "saw"},
                {"tool": "merge", "zone": "1", "other": "99"}, {"tool": "move", "points": "[]"}):  # fmt: skip
        assert client.post(f"{at}/draw", data=bad).status_code == 422
    assert path.read_bytes() == before
    told = {"seen": digest_of(before), "by": "A. Marsh"}
    assert client.post(f"{at}/keep", data=told).status_code == 422
    assert client.post(f"{at}/keep", data=told | {"why": "terrace"}).status_code == 200
    kept = json.loads((farm / "mill_race" / "zones_by_hand.geojson").read_text(encoding="utf-8"))
    assert {(one["properties"]["by"], one["properties"]["why"]) for one in kept["features"]} == {
        ("A. Marsh", "terrace")
    }
    field = read_field(path)
    assert field.zones is not None
    assert len(field.zones.polygons) == len(moved)
    assert shapely.area(shapely.difference(boundary, shapely.union_all(field.zones.polygons))) < 0.1 * shapely.area(
        boundary
    )


def test_sliders_show_before_they_keep_and_a_rate_hangs_on_its_ground(client: TestClient, farm: Path) -> None:
    """A number of zones is drawn without writing; kept, it is in the file; a rate has its reason and its outline."""
    at, path = "/fields/mill_race/zones", farm / "mill_race" / "field.toml"
    before = path.read_bytes()
    for count in ("1", "3"):
        shown = client.post(f"{at}/sketch", data={"zones.count": count}).text
        shapes = json.loads(shown.split('id="shapes">')[1].split("</script>")[0])
        assert len(shapes) == int(count)
    assert path.read_bytes() == before
    client.post(at, data={"seen": digest_of(before), "zones.count": "2"})
    assert tomllib.loads(path.read_text(encoding="utf-8"))["zones"]["count"] == 2
    told = {"seen": digest_of(path.read_bytes()), "zone": "1", "rate": "80", "reason": "wet spot", "by": "A. Marsh"}
    assert client.post(f"{at}/rate", data=told | {"zone": "9"}).status_code == 422
    assert client.post(f"{at}/rate", data=told | {"reason": ""}).status_code == 422
    assert client.post(f"{at}/rate", data=told).status_code == 200
    override = tomllib.loads(path.read_text(encoding="utf-8"))["review"]["override"]
    assert [(one["zone"], one["rate_n_lb_ac"], one["reason"]) for one in override] == [(1, 80, "wet spot")]
    assert '<td class="n">80</td>' in client.get(at).text.split("<tbody>")[1].split("</tr>")[0]


def test_a_sketch_gives_the_rates_that_a_build_gives(farm: Path, demo_built: Callable[[str], Prescription]) -> None:
    """With surfaces remembered from before, too; other readings are not taken for the same."""
    from dataclasses import replace

    from vrn.ingest import read_field
    from vrn.pipeline import build

    field, memory, known = read_field(farm / "mill_race" / "field.toml"), dict[bytes, object](), 0
    rates = [one.rate_n_lb_ac for one in demo_built("mill_race").rates]
    for _ in range(2):
        assert [one.rate_n_lb_ac for one in build(field, memory=memory, sketch=True).rates] == rates
        known = known or len(memory)
        assert len(memory) == known
    more = replace(field.settings.crop, yield_goal_bu_ac=field.settings.crop.yield_goal_bu_ac + 20)
    higher = replace(field, settings=replace(field.settings, crop=more))
    rates_of_more = [one.rate_n_lb_ac for one in build(higher, memory=memory, sketch=True).rates]
    assert rates_of_more == [one.rate_n_lb_ac for one in build(higher, sketch=True).rates]
    assert rates_of_more != rates
    assert len(memory) <= known + 1  # what was read follows no goal
    wetter = replace(field, samples=replace(field.samples, nitrate_ppm=field.samples.nitrate_ppm * 0.5))
    assert [one.rate_n_lb_ac for one in build(wetter, memory=memory, sketch=True).rates] != rates
    assert len(memory) > known + 1


def test_every_script_and_style_that_a_page_names_is_served(client: TestClient, quick_look: None, farm: Path) -> None:
    """The desk's own pages, and the plan's page with its scripts linked and the readings kept so far inside."""
    (farm / "mill_race" / "plan").mkdir()
    written = '<main></main><script type="application/json" id="data">{}</script>'
    (farm / "mill_race" / "plan" / "field.html").write_text(written, encoding="utf-8")
    for path in (*PAGES, "/edge/mill_race"):
        text = client.get(path).text
        named = re.findall(r'(?:src|href)="(/assets/[^"]+)"', text)
        assert named, path
        served = [client.get(one) for one in named]
        assert all(one.status_code == 200 for one in served), named
        asked = [client.get(named[0], headers={"if-none-match": tag}) for tag in (served[0].headers["etag"], '"old"')]
        assert [one.status_code for one in asked] == [304, 200]
    assert 'id="kept"' in text
    assert '"/edge/mill_race"' in text


def test_a_build_that_is_stopped_leaves_nothing_and_the_next_job_is_done(farm: Path) -> None:
    """The process of a running job is ended, its folder is not there, and the same worker goes on."""
    from vrn.desk.fields import build
    from vrn.desk.readings import readings_table
    from vrn.desk.work import Worker

    worker, field_file = Worker(), farm / "mill_race" / "field.toml"
    job = worker.submit("mill_race", "build", build, field_file=field_file, out=farm / "mill_race_rx")
    assert worker.submit("mill_race", "build", build, field_file=field_file, out=farm / "mill_race_rx") is job
    while not job.step and not job.over:
        time.sleep(0.01)
    worker.stop(job)
    after = worker.submit("mill_race", "readings", readings_table, field_file=field_file)
    while not after.over:
        time.sleep(0.01)
    worker.close()
    assert (job.state, after.state) == ("stopped", "done")
    assert not (farm / "mill_race_rx").exists()


def test_a_trial_is_laid_and_taken_out_again(client: TestClient, farm: Path) -> None:
    """The table of the field file comes and goes; what it would do is told as ``vrn trial`` tells it."""
    from vrn.desk.zones import look_for_trial
    from vrn.ingest import read_field
    from vrn.pipeline.reading import trial_of_field

    path = farm / "mill_race" / "field.toml"
    before = path.read_text(encoding="utf-8")
    built, _, told = trial_of_field(read_field(path))
    look = look_for_trial(lambda _step: None, field_file=path)
    assert built.trial is not None
    assert (look.table is not None) == bool(built.trial.blocks)
    assert [one.code for one in look.findings] == [one.code for one in told]
    assert len(look.shapes) == len(built.rates)
    for lay, there in (("yes", True), ("no", False)):
        form = {"seen": digest_of(path.read_bytes()), "lay": lay}
        client.post("/fields/mill_race/trial", data=form, follow_redirects=False)
        assert ("trial" in tomllib.loads(path.read_text(encoding="utf-8"))) == there
    assert tomllib.loads(path.read_text(encoding="utf-8")) == tomllib.loads(before)


def test_the_outline_is_picked_where_a_file_holds_several(client: TestClient, farm: Path) -> None:
    """Each outline is offered; the one that is pressed is the field's."""
    from vrn.ingest.field_file import read_settings
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.outline import read_boundary

    squares = {name: shapely.box(west, 42.3, west + 0.004, 42.304) for name, west in
               (("North 40", -94.62), ("Ash Hill", -94.61), ("Creek", -94.6))}  # fmt: skip
    features = [{"type": "Feature", "properties": {"NAME": name}, "geometry": shapely.geometry.mapping(one)}
                for name, one in squares.items()]  # fmt: skip
    text = json.dumps({"type": "FeatureCollection", "features": features})
    client.post("/fields", data={"name": "Home"}, files={"files": ("farm.geojson", text.encode())})
    page = client.get("/fields/home").text
    assert 'class="state missing"' in page  # a field that can't be built is not called ready
    assert 'class="state ready"' not in page
    offered = re.findall(r'name="field.boundary" value="([^"]*)"', page)
    assert offered == [f"farm.geojson#{name}" for name in squares]
    path = farm / "home" / "field.toml"
    chosen = {"seen": digest_of(path.read_bytes()), "back": "field", "field.boundary": offered[1],
              "crop.yield_goal_bu_ac": "200"}  # fmt: skip
    assert client.post("/fields/home/settings", data=chosen).status_code == 200
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    assert raw["field"]["boundary"] == offered[1]
    assert 'name="field.boundary"' not in client.get("/fields/home").text
    _, boundary, _ = read_boundary(InputFiles(path.parent), read_settings(path).header)
    assert 20 < boundary.area / 4046.9 < 50


def test_what_an_answer_would_do_is_told_and_not_kept(client: TestClient, farm: Path) -> None:
    """The totals of a higher goal stand beside those of now; zones drawn by hand beside the suggested ones."""
    path = farm / "mill_race" / "field.toml"
    before = path.read_bytes()
    form = {"seen": digest_of(before), "crop.yield_goal_bu_ac": "240", "field.no_apply.7.setback_ft": ""}
    told = client.post("/fields/mill_race/settings/tried", data=form).text
    pairs = re.findall(r"<dd>([\d,]+)[^<]*<small>[^<]*?([\d,]+) lb", told)
    assert pairs
    more, now = (int(text.replace(",", "")) for text in pairs[0])
    assert more > now
    assert path.read_bytes() == before
    wrong = client.post("/fields/mill_race/settings/tried", data=form | {"crop.yield_goal_bu_ac": "lots"})
    assert "<dd>" not in wrong.text
    shapes = client.get("/fields/mill_race/zones").text.split('id="shapes">')[1].split("</script>")[0]
    whole = shapely.union_all([shapely.geometry.shape(one["shape"]) for one in json.loads(shapes)])
    west, south, east, north = whole.bounds
    line = json.dumps([[west - 0.01, (south + north) / 2], [east + 0.01, (south + north) / 2]])
    drawn = client.post("/fields/mill_race/zones/draw", data={"tool": "split", "points": line}).text
    assert re.search(r"<dd>[^<]+<small>", drawn)


def test_a_prescription_is_known_whatever_its_folder_is_called(farm: Path) -> None:
    """By what it was built from, where no folder has the usual name."""
    from vrn.desk.session import Desk
    from vrn.files.staging import BUILT_FROM

    other, path = farm / "june", (farm / "mill_race" / "field.toml").resolve()
    other.mkdir()
    (other / "summary.json").write_text("{}", encoding="utf-8")
    assert [one.out.name for one in Desk(root=farm).places()] == ["mill_race_rx"]
    text = json.dumps({"sources": {"field": ["../mill_race/field.toml", str(path)]}, "replaces": None})
    (other / BUILT_FROM).write_text(text, encoding="utf-8")
    assert [one.out.name for one in Desk(root=farm).places()] == ["june"]
    (farm / "mill_race_rx").mkdir()
    (farm / "mill_race_rx" / "summary.json").write_text("{}", encoding="utf-8")
    assert [one.out.name for one in Desk(root=farm).places()] == ["mill_race_rx"]


def test_readings_and_fields_stand_on_their_ground(client: TestClient, farm: Path) -> None:
    """Every reading is a point of the map, doubted ones lead to their row; the folder's map has its field."""
    from vrn.desk.readings import readings_table
    from vrn.ingest import read_field

    table = readings_table(lambda _step: None, field_file=farm / "mill_race" / "field.toml")
    samples = read_field(farm / "mill_race" / "field.toml").samples
    doubted = {row for _, _, row, found in table.points if found}
    assert {14, 15} <= doubted  # beside the field, and shown there
    assert len(table.points) == len(samples.nitrate_ppm) + len(doubted - set(samples.row))
    assert doubted <= {number for number, _, found in table.rows if found}
    assert 'href="/fields/mill_race"' in client.get("/map-of-fields").text


def test_a_field_without_readings_has_nothing_wrong_yet(client: TestClient, farm: Path) -> None:
    """The heads of the form alone, or no file: no table, no fault, not ready; with a row, what it lacks is told."""
    from vrn.desk.readings import readings_table

    folder = farm / "mill_race"
    heads = (folder / "samples.csv").read_bytes().splitlines()[0]
    for content, quiet in ((heads + b"\n", True), (None, True), (b"nonsense\n1\n", False)):
        (folder / "samples.csv").unlink(missing_ok=True)
        if content is not None:
            (folder / "samples.csv").write_bytes(content)
        table = readings_table(lambda _step: None, field_file=folder / "field.toml")
        assert (not table.file, not table.problem) == (quiet, quiet)
        assert ('class="state missing"' in client.get("/fields").text) == quiet


def test_the_map_of_fields_follows_an_outline_that_is_changed(client: TestClient, farm: Path) -> None:
    """The field file stays as it is; its outline is another, of the same length and as old."""
    path, shown = farm / "mill_race" / "boundary.geojson", client.get("/map-of-fields").text
    times = (path.stat().st_atime_ns, path.stat().st_mtime_ns)
    assert client.get("/map-of-fields").text == shown
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("42.338", "42.339"), encoding="utf-8")
    os.utime(path, ns=times)
    assert path.read_text(encoding="utf-8") != text
    assert client.get("/map-of-fields").text != shown


def test_a_signer_sees_what_the_numbers_rest_on(quick: TestClient, farm: Path) -> None:
    """The page to sign on lists as the report does: from memory, other methods, assumptions."""
    look = fields.look(print, field_file=Path(), out=Path())
    (farm / "mill_race_rx").mkdir()
    (farm / "mill_race_rx" / "summary.json").write_text(json.dumps({"id": look.id}), encoding="utf-8")
    quick.get("/fields/mill_race/sign")  # looks at the field
    text = quick.get("/fields/mill_race/sign").text
    for name in ("memory", "disagree", "assumptions"):
        assert look.signer[name]
        assert all(str(escape(item)) in text for item in look.signer[name]), name


def test_a_signer_sees_what_differs_from_the_last_signature(demo_built: Callable[[str], Prescription]) -> None:
    """A rate that was changed after a signature is among the differences, also where the field file names no id."""
    from vrn.files.signature import Earlier
    from vrn.files.statement import statement_of

    built = demo_built("mill_race")
    signed = Earlier(statement=statement_of(built), id=built.id, replaces=(), signed_by="A. Marsh")
    first, *others = built.rates
    changed = replace(built, rates=(replace(first, rate_n_lb_ac=first.rate_n_lb_ac + 15), *others))
    assert fields.look_of(built, signed).differences == ""
    assert f"{first.rate_n_lb_ac + 15:.0f}" in fields.look_of(changed, signed).differences
    assert fields.look_of(changed, replace(signed, signed_by=None)).differences == ""


def test_a_key_is_looked_at_before_anything_is_signed(quick: TestClient, farm: Path, tmp_path: Path) -> None:
    """A file that is no key and a wrong passphrase are refused; a revoked key too; no key lies in the folder."""
    from vrn.files.signature import make_key
    from vrn.many.questions import record_key

    out, mark = farm / "mill_race_rx", make_key(tmp_path / "a.key", "corn")
    out.mkdir()
    (out / "summary.json").write_text('{"id": "abc"}', encoding="utf-8")
    key = (tmp_path / "a.key").read_bytes()

    def sent(content: bytes, secret: str) -> int:
        data = {"id": "abc", "by": "A. Marsh", "secret": secret}
        return quick.post("/fields/mill_race/sign", data=data, files={"key": ("a.key", content)}).status_code

    assert [sent(b"none", ""), sent(key, "wheat"), sent(key, "corn")] == [422, 422, 200]
    assert not [one for one in farm.rglob("*") if one.is_file() and key in one.read_bytes()]
    record_key(farm / "season.db", mark, revoked_on=date(2026, 6, 1))
    assert sent(key, "corn") == 422


def test_a_harvest_needs_a_log_and_what_was_applied(quick: TestClient, farm: Path) -> None:
    """Nothing is kept of a form that says neither; a record, or the plan taken for it, goes on."""
    (farm / "mill_race_rx").mkdir()
    (farm / "mill_race_rx" / "summary.json").write_text('{"id": "abc", "trial": {}}', encoding="utf-8")
    log = {"files": ("log.csv", b"x\n")}
    assert quick.post("/fields/mill_race/harvest", files=log).status_code == 422
    assert not (farm / "mill_race" / "log.csv").exists()
    assert quick.post("/fields/mill_race/harvest", data={"as_planned": "yes"}, files=log).status_code == 200
    both = log | {"applied": ("applied.csv", b"y\n")}
    assert quick.post("/fields/mill_race/harvest", files=both).status_code == 200
    jobs = [one.given for one in quick.app.state.desk.worker.jobs.values()]  # type: ignore[attr-defined]
    assert [one["applied"] for one in jobs] == [None, farm / "mill_race" / "applied.csv"]


def test_a_key_of_the_desk_signs_and_is_forgotten(client: TestClient, farm: Path, tmp_path: Path) -> None:
    """What is signed by a key in the browser passes with its public half, and no other; the job keeps no key."""
    from vrn.cli import main
    from vrn.desk.work import Worker
    from vrn.files.signature import make_key

    out = farm / "mill_race_rx"
    assert main(["build", str(farm / "mill_race" / "field.toml"), "--out", str(out)]) == 1
    for name in ("mine", "other"):
        make_key(tmp_path / f"{name}.key", "")
    found = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    data = {"id": found["id"], "by": "A. Marsh", "secret": "", "accept": "yes"}
    files = {"key": ("mine.key", (tmp_path / "mine.key").read_bytes())}
    assert client.post("/fields/mill_race/sign", data=data, files=files).status_code == 200
    held = [main(["verify", str(out), "--key", str(tmp_path / f"{name}.key.pub")]) for name in ("mine", "other")]
    assert held == [0, 1]
    job = next(one for one in client.app.state.desk.worker.jobs.values() if one.what == "sign")  # type: ignore[attr-defined]
    assert job.given["key"]
    worker = Worker()
    worker._end(job, "done")
    worker.close()
    assert not {"key", "secret"} & set(job.given)
