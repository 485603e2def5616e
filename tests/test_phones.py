"""The phones' door without a browser: who comes in, what they may add, and that each entry arrives once."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
import segno
from counts_case import STAGE_KEYS, problems_of
from flask.testing import FlaskClient
from PIL import Image

from geosample.counts import add_counts, read_counts
from geosample.design import Design
from geosample.desk import jobs
from geosample.desk.guard import Guard
from geosample.desk.phones import PhoneGuard, Phones, make_door, open_phones
from geosample.desk.server import make_app
from geosample.desk.work import Desk
from geosample.errors import CountsError, GeosampleError
from geosample.sheets.bench import qr_text
from geosample.survey import Survey

AT = "192.168.7.5:8712"
OWN = f"http://{AT}"
ANN, BO = "0123456789ab", "ba9876543210"


class Inline:
    """The worker's jobs in this process."""

    talk: tuple[str, ...] = ()
    stillborn = False

    told: ClassVar[dict[str, Any]] = {}

    def do(self, job: str, *, wait_s: float = -1, **given: Any) -> Any:  # noqa: ARG002
        if job != "gather_round":
            return getattr(jobs, job)(**given)
        key = json.dumps(given)  # the same survey in every test: its page is made once
        if key not in self.told:
            self.told[key] = jobs.gather_round(**given)
        return self.told[key]


@pytest.fixture
def phones(counts_survey: Survey, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Phones:
    monkeypatch.chdir(tmp_path)
    return come_again(tmp_path)


def come_again(folder: Path) -> Phones:
    """A desk started anew in a folder, with new keys."""
    desk = Desk(folder, "course.gpkg")
    desk.worker = Inline()
    desk.kept.mkdir(exist_ok=True)
    return Phones(desk, PhoneGuard(AT))


def join(phones: Phones) -> FlaskClient:
    client = make_door(phones).test_client()
    assert client.get(f"/join/{phones.guard.key}", base_url=OWN).status_code == 200
    return client


def post(client: FlaskClient, phones: Phones, path: str, body: Any, **headers: str) -> Any:
    sent = {"Origin": OWN, "X-Desk-Token": phones.guard.token, **headers}
    more = {"data": body} if isinstance(body, bytes) else {"json": body}
    return client.post(path, base_url=OWN, headers=sent, **more)


def send(
    client: FlaskClient, phones: Phones, phone: str, *entries: dict[str, str], who: str = "Ann", **more: Any
) -> Any:
    body = {"phone": phone, "person": who, "code": "K7Q2", "entries": list(entries), "clocks": [], **more}
    answer = post(client, phones, "/sync", body)
    assert answer.status_code == 200, answer.text
    return answer.json


def count(phone: str, number: int, point_id: str = "01F-01", found: str = "4", **more: str) -> dict[str, str]:
    own = {"entry_id": f"{phone}-{number:010d}", "design_code": "K7Q2", "visit": "2026-05-04", "method": "brine"}
    own |= {
        "sample_id": f"{point_id}-B",
        "point_id": point_id,
        "counted_by": "Ann",
        "counted_at": "2026-05-04T14:02:00+02:00",
    }
    return {**own, **dict.fromkeys(STAGE_KEYS, "0"), "L3": found, **more}


def test_a_phone_comes_in_by_the_code_alone_and_sees_the_page(phones: Phones) -> None:
    client = make_door(phones).test_client()
    for path in (
        "/",
        "/here",
        "/sync",
        "/label",
        "/join/wrong",
        "/state",
        "/run",
        "/made/map.html",
        "/own/desk.js",
    ):
        answer = client.get(path, base_url=OWN)
        assert (answer.status_code, answer.text) == (
            403,
            "Scan the code on the desk's screen. What was entered is kept on this phone.",
        )
    first = client.get(f"/join/{phones.guard.key}", base_url=OWN)
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(first.headers["Set-Cookie"].split("; "))
    page = client.get("/", base_url=OWN)
    assert '"desk":true' in page.text
    assert phones.guard.token not in page.text
    assert client.get("/here", base_url=OWN).json == {"token": phones.guard.token}


@pytest.mark.parametrize(
    "path", ["/state", "/map", "/bench", "/phones", "/picture", "/made/course.gpkg", "/own/desk.js", "/own/../x"]
)
def test_a_phone_finds_nothing_of_the_desk_s_behind_its_own_door(phones: Phones, path: str) -> None:
    client = join(phones)
    assert client.get(path, base_url=OWN).status_code == 404
    for act in ("/run", "/drop", "/close", "/switch", "/undo", "/correct", "/phones", "/enter", "/bench"):
        assert post(client, phones, act, {"step": "ground"}).status_code in {404, 405}


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "https://other.invalid"}, {"Origin": "null"}, {"X-Desk-Token": ""}, {"Sec-Fetch-Site": "cross-site"}],
)
def test_no_other_page_on_the_phone_speaks_for_it(phones: Phones, headers: dict[str, str]) -> None:
    client = join(phones)
    body = {"phone": ANN, "person": "Ann", "entries": [count(ANN, 1)]}
    assert post(client, phones, "/sync", body, **headers).status_code == 403
    assert client.get("/here", base_url="http://desk.invalid:8712").status_code == 403
    assert phones.open_round("K7Q2").entries == {}


def test_the_phones_key_does_not_open_the_desk_nor_the_desk_s_the_phones_door(phones: Phones) -> None:
    desk_guard = Guard(4321)
    desk = make_app(phones.desk, desk_guard, lambda: None, phones).test_client()
    base = "http://127.0.0.1:4321"
    cookie = join(phones).get_cookie(phones.guard.cookie_name, domain="192.168.7.5")
    assert cookie
    desk.set_cookie(desk_guard.cookie_name, cookie.value, domain="127.0.0.1")
    assert desk.get("/state", base_url=base).status_code == 403
    assert desk.post("/enter", base_url=base, data={"key": phones.guard.key}).status_code == 403
    assert desk.get(f"/join/{phones.guard.key}", base_url=base).status_code == 403


HOSTILE = {
    "another phone's": {"entry_id": f"{BO}-0000000001"},
    "in another's place": {"replaces": f"{BO}-0000000001"},
    "the desk's": {"entry_id": "desk-0000000001"},
    "no bag": {"sample_id": "99F-01-B"},
    "another point's bag": {"point_id": "01F-02"},
    "a formula for a count": {"L3": "=1+1"},
    "less than none": {"L3": "-1"},
    "other digits": {"L3": "٣"},
    "a number": {"L3": 3},
    "a status of its own": {"status": "counted; drop"},
    "an end of line": {"note": "a\r\n=1"},
    "a long note": {"note": "a" * 201},
    "no time": {"counted_at": "soon"},
    "a column of its own": {"weight_m2": "9"},
    "another visit": {"visit": "2026-05-05"},
}


@pytest.mark.parametrize("what", HOSTILE)
def test_what_is_not_a_field_note_or_count_of_this_phone_is_refused_and_told(phones: Phones, what: str) -> None:
    told = send(join(phones), phones, ANN, {**count(ANN, 1), **HOSTILE[what]}, count(ANN, 2))
    assert told["got"] == [f"{ANN}-0000000002"]
    assert len(told["refused"]) == 1
    assert all(told["refused"].values())


def test_requests_of_no_shape_change_nothing(phones: Phones) -> None:
    client = join(phones)
    for body in (
        [],
        {"entries": 3},
        {"phone": "../../x", "person": "A"},
        {"phone": ANN, "person": "A\nB"},
        {"phone": ANN, "person": "A" * 41},
    ):
        assert post(client, phones, "/sync", body).status_code == 400
    assert post(client, phones, "/sync", {"phone": ANN, "person": "A" * 300_000}).status_code == 413
    told = send(
        client, phones, ANN, clocks=[{"clock_id": f"{BO}-000001"}, {"clock_id": f"{ANN}-000001", "marks": 3}, "x"][:2]
    )
    assert told["clocks_got"] == []
    # a phone that has said which it is speaks for no other
    assert post(client, phones, "/sync", {"phone": BO, "person": "Bo", "entries": []}).status_code == 403


def test_an_entry_sent_five_times_and_after_a_restart_arrives_once(
    phones: Phones, tmp_path: Path, counts_design: Design
) -> None:
    first = join(phones)
    for _ in range(5):
        assert send(first, phones, ANN, count(ANN, 1))["got"] == [f"{ANN}-0000000001"]
    file = tmp_path / "dropped" / "phones_2026-05-04 K7Q2.csv"
    with file.open("ab") as torn:
        torn.write(b'0123456789ab-0000000002,,K7Q2,"2026')  # a power cut in the middle of a row
    again = come_again(tmp_path)
    assert make_door(again).test_client().get(f"/join/{phones.guard.key}", base_url=OWN).status_code == 403
    client = join(again)
    told = send(client, again, ANN, count(ANN, 1), count(ANN, 2, "01F-02", "7"), {**count(ANN, 1), "L3": "5"})
    assert told["got"] == [f"{ANN}-0000000001", f"{ANN}-0000000002"]
    assert "other words" in told["refused"][f"{ANN}-0000000001"]
    counts = read_counts(file, counts_design)
    assert counts.counts.groupby("sample_id")["count"].sum().to_dict() == {"01F-01-B": 4, "01F-02-B": 7}
    assert set(counts.samples["counted_by"]) == {"Ann"}


def test_two_that_differ_stand_side_by_side_until_the_desk_s_user_settles_them(
    phones: Phones, tmp_path: Path, counts_design: Design
) -> None:
    ann, bo = join(phones), join(phones)
    send(ann, phones, ANN, count(ANN, 1))
    told = send(bo, phones, BO, count(BO, 1, found="6", counted_by="Bo", note="=1+1"), who="Bo")
    assert told["desk"]["bags"] == {"01F-01-B": {"by": "Ann"}}  # who, and not what
    assert told["desk"]["totals"] == {}
    [pair] = phones.tell()["differing"]
    assert [one["who"] for one in pair] == ["Ann", "Bo"]
    file = tmp_path / "dropped" / phones.tell()["file"]
    assert "bag 01F-01-B 2 times" in problems_of(file, counts_design)[0]
    desk = make_app(phones.desk, guard := Guard(4321), lambda: None, phones).test_client()
    key = re.search(r'name="key" value="([^"]+)"', guard.write_door().read_text())
    assert key
    base = "http://127.0.0.1:4321"
    desk.post("/enter", base_url=base, data={"key": key[1]}, headers={"Origin": "null"})
    sent = {"Origin": base, "X-Desk-Token": guard.token}
    asked = {"settle": pair[1]["entry_id"], "of": [one["entry_id"] for one in pair]}
    cy = "cccccccccccc"
    send(join(phones), phones, cy, count(cy, 1, found="9", counted_by="Cy"), who="Cy")  # unseen as yet: it stays
    assert "Look again" in desk.post("/phones", base_url=base, json=asked, headers=sent).json["words"]
    withdrawn = {**count(cy, 2), "replaces": f"{cy}-0000000001", "status": "withdrawn", **dict.fromkeys(STAGE_KEYS, "")}
    send(join(phones), phones, cy, withdrawn, who="Cy")
    answer = desk.post("/phones", base_url=base, json=asked, headers=sent)
    assert "Settled" in answer.json["words"]
    assert phones.tell()["differing"] == []
    counts = read_counts(file, counts_design)
    assert counts.counts["count"].sum() == 6
    assert counts.samples["note"].iloc[0].startswith("=1+1")
    assert "Not settled" in desk.post("/phones", base_url=base, json={"settle": "x"}, headers=sent).json["words"]


def test_a_bag_counted_on_paper_and_on_a_phone_stands_side_by_side_with_who_and_when(
    phones: Phones, tmp_path: Path, counts_design: Design, counts_survey: Survey
) -> None:
    client = join(phones)
    for found, number, point in (("4", 1, "01F-01"), ("6", 2, "01F-02")):
        send(client, phones, ANN, count(ANN, number, point, found))
    phone = tmp_path / "dropped" / phones.tell()["file"]

    def write_paper(second: str) -> Path:
        paper = tmp_path / "paper.csv"
        paper.write_text(
            f"sample_id,{','.join(STAGE_KEYS)},method\n"
            + "".join(
                f"{bag},{','.join(found if key == 'L3' else '0' for key in STAGE_KEYS)},brine\n"
                for bag, found in (("01F-01-B", "4"), ("01F-02-B", second))
            )
        )
        return paper

    for files in ([write_paper("6"), phone], [phone, write_paper("6")]):  # the same: signed, whichever came first
        samples = read_counts(files, counts_design).samples.set_index("sample_id")
        assert set(samples["counted_by"]) == {"Ann"}
        assert samples["note"].str.contains("counted at: 2026-05-04T14:02:00").all()
    [line] = problems_of([write_paper("7"), phone], counts_design)
    assert "L3 7;" in line
    assert "L3 6 (Ann, 2026-05-04T14:02:00+02:00)" in line
    # one after the other: nothing takes the other's place unasked
    for first, second in ((phone, write_paper("7")), (write_paper("7"), phone)):
        with counts_survey.change() as change:
            for layer in ("samples", "counts"):
                change.put(layer, change.read(layer).iloc[:0], where={"visit": "2026-05-04"})
        add_counts(counts_survey, read_counts(first, counts_design), counts_design)
        again = read_counts(second, counts_design)
        with pytest.raises(CountsError, match=r"two counts, by (Ann and nobody named|nobody named and Ann)"):
            add_counts(counts_survey, again, counts_design)
        added = add_counts(counts_survey, again, counts_design, replace_others=True)
        signed = added.counts.samples.set_index("sample_id")["counted_by"]
        assert signed["01F-01-B"] == "Ann"  # said twice alike: the paper takes no name away


def test_the_phones_table_is_never_unused_and_is_whole_again_where_a_hand_took_it_away(
    phones: Phones, tmp_path: Path, counts_design: Design
) -> None:
    client = join(phones)
    send(client, phones, ANN, count(ANN, 1))
    file = tmp_path / "dropped" / phones.tell()["file"]
    assert phones.desk.list_unused() == []
    file.unlink()
    send(client, phones, ANN, count(ANN, 2, "01F-02", "7"))
    counts = read_counts(file, counts_design)
    assert counts.counts.groupby("sample_id")["count"].sum().to_dict() == {"01F-01-B": 4, "01F-02-B": 7}


def test_a_phone_that_is_ended_comes_in_by_the_new_code_alone(phones: Phones) -> None:
    ann, bo, code = join(phones), join(phones), phones.guard.key
    send(ann, phones, ANN, count(ANN, 1))
    send(bo, phones, BO, who="Bo")
    assert [one["person"] for one in phones.tell()["people"]] == ["Ann", "Bo"]
    phones.end(ANN)
    assert post(ann, phones, "/sync", {"phone": ANN, "person": "Ann", "entries": []}).status_code == 403
    assert ann.get(f"/join/{code}", base_url=OWN).status_code == 403
    assert send(bo, phones, BO, who="Bo")["desk"]["people"] == []
    phones.end("")
    assert post(bo, phones, "/sync", {"phone": BO, "person": "Bo", "entries": []}).status_code == 403
    assert len(phones.open_round("K7Q2").entries) == 1


def test_a_phone_waits_where_the_desk_is_busy_or_has_no_plan(phones: Phones, monkeypatch: pytest.MonkeyPatch) -> None:
    client = join(phones)
    monkeypatch.setattr(phones.desk.worker, "do", lambda *_, **__: None)
    answer = client.get("/", base_url=OWN)
    assert answer.status_code == 503
    assert 'http-equiv="refresh"' in answer.text
    assert "wrong" in phones.tell()


def test_scanning_again_and_again_shuts_nobody_out(phones: Phones) -> None:
    for _ in range(70):
        ann = join(phones)
        send(ann, phones, ANN)
    assert len(phones.guard.inside) == 1
    for _ in range(70):
        last = join(phones)
    assert send(last, phones, BO, who="Bo")["desk"]["people"] == ["Ann"]
    assert send(ann, phones, ANN)["got"] == []


def test_others_hear_of_clocks_sums_and_open_bags_and_never_of_a_phone_s_own_name(phones: Phones) -> None:
    ann, bo = join(phones), join(phones)
    clock = {
        "clock_id": f"{ANN}-000001",
        "what": "Funnel 2",
        "who": "Ann",
        "started": 1.0,
        "marks": [[2880, "take"]],
        "ended": 0,
    }
    taken = send(ann, phones, ANN, count(ANN, 1), clocks=[clock], at="01F-02-B")
    assert taken["clocks_got"] == [clock["clock_id"]]
    told = send(bo, phones, BO, who="Bo")["desk"]
    assert told["busy"] == {"01F-02-B": "Ann"}
    assert told["totals"] == {"fairway": [3, 4]}
    assert [one["what"] for one in told["clocks"]] == ["Funnel 2"]
    assert ANN not in json.dumps(told)
    assert come_again(phones.desk.folder).clocks[clock["clock_id"]]["what"] == "Funnel 2"


@pytest.mark.parametrize("turn_deg", [0, 33, 180])
def test_a_label_s_photo_is_read(phones: Phones, turn_deg: int) -> None:
    def photo(text: str) -> bytes:
        code = io.BytesIO()
        segno.make(text, error="m", micro=False).save(code, kind="png", scale=6, border=4)
        picture = Image.new("L", (1000, 800), 200)
        picture.paste(Image.open(code).convert("L").rotate(turn_deg, expand=True, fillcolor=255), (300, 200))
        rng = np.random.default_rng(1)
        noisy = np.clip(np.asarray(picture) * 0.6 + rng.normal(30, 12, (800, 1000)), 0, 255).astype(np.uint8)
        sent = io.BytesIO()
        Image.fromarray(noisy).save(sent, "JPEG", quality=80)
        return sent.getvalue()

    client = join(phones)
    assert post(client, phones, "/label", photo(qr_text("01F-01-B", "K7Q2"))).json["sample_id"] == "01F-01-B"
    other = post(client, phones, "/label", photo(qr_text("01F-01-B", "OLD1"))).json
    assert (other["sample_id"], other["words"]) == ("", "This label is of another design.")
    for data in (b"", b"GIF89a", b"\xff\xd8\xff" + b"0" * 99, photo("K7Q2 99X-99-B")):
        assert post(client, phones, "/label", data).json["sample_id"] == ""


def test_the_door_is_where_it_was_last_time_and_on_an_own_address_alone(tmp_path: Path) -> None:
    desk = Desk(tmp_path, "course.gpkg")
    place, first = open_phones(desk, "127.0.0.1")
    place.close()
    place, again = open_phones(desk, "127.0.0.1")
    taken, other = open_phones(desk, "127.0.0.1")  # the port is in use: another, and it is told
    assert (first.guard.address, first.moved, again.moved, other.moved) == (again.guard.address, False, False, True)
    assert len({one.guard.key for one in (first, again, other)}) == 3
    for one in (place, taken):
        one.close()
    with pytest.raises(GeosampleError, match="no such address on this machine"):
        open_phones(desk, "203.0.113.9")
