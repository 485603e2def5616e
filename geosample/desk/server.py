"""Server: the desk's addresses, and its start and end."""

from __future__ import annotations

import contextlib
import json
import re
import socket
import threading
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import waitress
from flask import Flask, Response, abort, jsonify, render_template_string, request, send_file

from geosample.desk.cards import CARDS, REHEARSAL, Card, list_questions, list_under, show_line
from geosample.desk.guard import Guard, note_open
from geosample.desk.jobs import PICTURE
from geosample.desk.phones import Phones, add_phones, make_door, open_phones
from geosample.desk.work import Desk, Facts, TypedSheet, plain_name
from geosample.desk.worker import Failed, Gone
from geosample.files.reading import LARGEST_UNPACKED_BYTES
from geosample.files.saving import escape_html, save_file
from geosample.report.desk import ENTERED, HINTS, PHONES, PHRASES, TITLES
from geosample.words import OBSTACLE_KINDS, RULES, SURFACE_KINDS, WORKED_OUT

if TYPE_CHECKING:
    from collections.abc import Callable


def make_app(desk: Desk, guard: Guard, close: Callable[[], None], phones: Phones | None = None) -> Flask:  # noqa: C901, PLR0915 - a list of addresses
    """Return the desk as a web application, every address behind the guard."""
    app = Flask(__name__, static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_UNPACKED_BYTES
    guard.watch(app)
    add_phones(app, phones)
    own = resources.files("geosample.desk")
    benches: dict[tuple[str, ...], TypedSheet] = {}

    @app.errorhandler(Failed)
    def tell_failed(error: Failed) -> tuple[Response, int]:
        return jsonify({"words": str(error)}), 409

    @app.errorhandler(Gone)
    def tell_gone(_: Gone) -> tuple[Response, int]:
        return jsonify({"words": PHRASES["crashed"]}), 409

    def bench() -> TypedSheet:
        plan = desk.tell()
        key = (desk.survey, plan["visit"], plan["drawn"]["plan"], json.dumps(desk.asked_of_sheets))
        if key not in benches:
            benches[key] = TypedSheet(desk)
        return benches[key]

    def card_of(given: Facts) -> Card:
        return {**CARDS, REHEARSAL.step: REHEARSAL}.get(given.get("step", "")) or abort(400)

    def given() -> Facts:
        body = request.get_json(silent=True)
        return body if isinstance(body, dict) else abort(400)

    def check_seen(body: Facts) -> None:
        if told := desk.check_seen(card_of(body), body.get("seen")):
            raise Failed(told)

    @app.post("/enter")
    def enter() -> Response:
        if not guard.enter(request.form.get("key", "")):
            abort(403)
        return guard.give_cookie(Response(ENTERED))

    @app.post("/again")
    def come_again() -> Response:
        if not guard.may_come_again(request.form.get("key", "")):
            abort(403)
        return Response(str(guard.write_door()), mimetype="text/plain")

    @app.get("/")
    def page() -> str:
        cards = [
            {
                "step": s,
                "title": TITLES[s][0],
                "button": TITLES[s][1],
                "hint": HINTS[s],
                "questions": list_questions(c),
                "takes_files": c.takes_files,
            }
            for s, c in CARDS.items()
        ]
        given = {
            "cards": cards,
            "under": list_under(),
            "words": PHRASES,
            "phones": PHONES,
            "record": {
                "names": {**RULES["ny"].fields, "irac_group": PHRASES["irac_group"]},
                "rules": {
                    name: [field for field in rules.fields if field not in WORKED_OUT] for name, rules in RULES.items()
                },
            },
            "kinds": [*SURFACE_KINDS, *OBSTACLE_KINDS, "island", "ignore"],
        }
        text = (resources.files("geosample.report") / "desk.html").read_text(encoding="utf-8")
        return render_template_string(
            text, token=guard.token, given=json.dumps(given), cards=cards, draw_keys=PHRASES["draw_keys"]
        )

    @app.get("/own/<name>")
    def script(name: str) -> Response:
        kinds = dict.fromkeys(("desk.js", "bench.js", "draw.js", "phones.js"), "text/javascript") | {
            "desk.css": "text/css"
        }
        if name not in kinds:
            abort(404)
        return Response((own / name).read_bytes(), mimetype=kinds[name])

    @app.get("/state")
    def state() -> Response:
        return jsonify(desk.tell())

    @app.get("/map")
    def course_map() -> Response:
        visit = request.args.get("visit", desk.visit)
        if not (desk.path.exists() or desk.under):
            return _frame(_say(PHRASES["empty"]))
        if visit not in {"", *desk.tell()["visits"]}:
            abort(404)
        try:
            return _frame(desk.draw_page(visit, newest="newest" in request.args) or _say(PHRASES["busy"]))
        except (Gone, Failed) as error:
            return _frame(_say(str(error)))

    @app.post("/under")
    def under() -> Response:
        told = desk.lay_under(given())
        return jsonify(desk.tell() | {"words": told})

    @app.get("/picture")
    def picture() -> Response:
        return _send(desk.folder / desk.out, PICTURE, inline=True)

    @app.get("/dropped/<name>")
    def dropped(name: str) -> Response:
        if Path(name).suffix.lower() not in {".png", ".jpg", ".jpeg"}:
            abort(404)
        return _send(desk.folder / "dropped", name, inline=True)

    @app.get("/made/<name>")
    def made(name: str) -> Response:
        return _send(desk.folder / desk.out, name, inline=Path(name).suffix in {".pdf", ".html"})

    @app.post("/line")
    def line() -> Response:
        body = given()
        return jsonify([show_line(words) for words in desk.words_of(card_of(body), body.get("answers", {}))])

    @app.post("/switch")
    def switch() -> Response:
        body = given()
        survey, units = str(body.get("survey", "")), str(body.get("units", "us"))
        if re.fullmatch(r"[\w][\w .()+-]*\.gpkg", survey) is None or units not in {"us", "metric"} or desk.running:
            abort(400)
        desk.switch(survey, str(body.get("visit", "")), units)
        return jsonify(desk.tell())

    @app.post("/run")
    def run() -> Response:
        body = given()
        check_seen(body)
        started = desk.start_run(card_of(body), body.get("answers", {}), force=body.get("force") is True)
        return jsonify({"started": started, "words": "" if started else PHRASES["busy"]})

    @app.post("/cancel")
    def cancel() -> Response:
        desk.cancel()
        return jsonify({})

    @app.post("/undo")
    def undo() -> Response:
        body = given()
        check_seen(body)
        return jsonify({"words": desk.undo(card_of(body).step)})

    @app.post("/draft")
    def draft() -> Response:
        body = given()
        card = card_of(body)
        job = {"plan": "try_plan", "treat": "try_zones"}.get(card.step) or abort(400)
        if desk.running:
            return jsonify({"problems": [PHRASES["busy"]]})
        try:
            return jsonify(desk.worker.do(job, words=desk.words_of(card, body.get("answers", {}))[0]))
        except Failed as error:
            return jsonify({"problems": str(error).splitlines()})
        except Gone:
            return jsonify({"problems": [PHRASES["crashed"]]})

    @app.post("/correct")
    def correct() -> Response:
        body = given()
        check_seen({**body, "step": "ground"})
        asked: Facts = {part: str(body.get(part, "")) for part in ("surface_id", "kind", "hole")}
        asked |= {"rings": check_rings(body.get("rings", [])), "piece": int(body.get("piece", 0))}
        if desk.running or asked["kind"] not in {*SURFACE_KINDS, *OBSTACLE_KINDS, "island", "ignore"}:
            abort(400)
        if not asked["surface_id"] and not asked["rings"]:
            abort(400)
        name = desk.name_correction()
        (desk.folder / "dropped").mkdir(exist_ok=True)
        course = desk.worker.do("correct", survey=desk.survey, file=f"dropped/{name}", **asked)
        return jsonify({"answers": {"files": [name], **({"name": course} if course else {})}})

    @app.post("/drop")
    def drop() -> Response:
        file = request.files.get("file") or abort(400)
        name = plain_name(file.filename or "") or abort(400)
        save_file(desk.folder / "dropped" / name, file.read())
        return jsonify({"name": name})

    @app.get("/bench")
    def show_bench() -> Response:
        return jsonify(bench().tell())

    @app.post("/bench")
    def type_bench() -> Response:
        body = given()
        sheet = bench()
        if body.get("file", sheet.name) != sheet.name:
            raise Failed(PHRASES["other_sheet"])
        sample_id, column, value = (str(body.get(name, "")) for name in ("sample_id", "column", "value"))
        told = sheet.put(sample_id, column, value, was=body.get("was"))
        return jsonify({**told, "partly": sheet.list_partly()} if told["kept"] else told)

    @app.post("/put-away")
    def put_away() -> Response:
        names = given().get("names")
        return jsonify({"words": desk.put_away(names if isinstance(names, list) else abort(400))})

    @app.post("/close")
    def shut() -> Response:
        threading.Timer(0.2, close).start()
        return jsonify({"words": PHRASES["closed"]})

    return app


MOST_CORNERS = 20_000


def check_rings(rings: Any) -> list[list[list[float]]]:
    """Return a drawn outline and its openings where they are such: corners of two numbers, three or more to a ring."""
    parts = rings if isinstance(rings, list) else abort(400)
    corners = [corner for ring in parts for corner in (ring if isinstance(ring, list) else abort(400))]
    fits = all(isinstance(corner, list) and len(corner) == 2 for corner in corners)  # noqa: PLR2004
    fits = fits and all(isinstance(part, (int, float)) and abs(part) <= 180 for c in corners for part in c)  # noqa: PLR2004
    if not fits or len(corners) > MOST_CORNERS or any(len(ring) < 3 for ring in parts):  # noqa: PLR2004
        abort(400)
    return parts


def _say(text: str) -> str:
    return f"<!DOCTYPE html><meta charset=utf-8><title>-</title><p>{escape_html(text)}</p>"


def _frame(text: str) -> Response:
    """Return the map's page, which its own policy keeps shut; only the desk may show it in itself."""
    response = Response(text, mimetype="text/html")
    response.headers["Content-Security-Policy"] = "frame-ancestors 'self'; form-action 'none'; base-uri 'none'"
    return response


def _send(folder: Path, name: str, *, inline: bool) -> Response:
    """Return a file that a stage made: of this folder itself, by its plain name, and no link out of it."""
    path = (folder / name).resolve()
    if path.parent != folder.resolve() or not path.is_file() or name.startswith("."):
        abort(404)
    response = send_file(path, as_attachment=not inline, download_name=path.name)
    if path.suffix != ".pdf":  # a reader of PDFs does not start in a sandbox
        response.headers["Content-Security-Policy"] = "sandbox allow-scripts allow-modals"
    return response


def _serve(app: Flask, place: socket.socket, most_lines: int) -> Any:
    """Return a server of an application; its ``run`` answers."""
    return waitress.create_server(
        app,
        sockets=[place],
        threads=8,
        connection_limit=most_lines,
        clear_untrusted_proxy_headers=True,
        max_request_body_size=app.config["MAX_CONTENT_LENGTH"],
    )


def open_desk(
    folder: Path, survey: str, *, tell: Callable[[str, Path, str], None], phones_at: str | None = None
) -> None:
    """Serve the desk for a folder until it is closed.

    Parameters
    ----------
    folder : Path
        Where surveys and their files are.
    survey : str
        The survey file's name in it.
    tell : callable
        Called with the desk's address, the file that lets its owner's browser in, and the address for phones.
    phones_at : str, optional
        This machine's address in the phones' network, found when empty; None for no phones.
    """
    desk = Desk(folder, survey)
    phones: Phones | None = None
    if phones_at is not None:
        far, phones = open_phones(desk, phones_at)
        threading.Thread(target=_serve(make_door(phones), far, 100).run, daemon=True).start()
    place = socket.create_server(("127.0.0.1", 0))
    guard = Guard(place.getsockname()[1])

    def close() -> None:
        server.trigger.pull_trigger(hang_up)

    def hang_up() -> None:  # in the loop's own thread; a browser keeps its lines open for minutes
        for line in list(server.active_channels.values()):
            line.handle_close()
        server.close()

    server = _serve(make_app(desk, guard, close, phones), place, 200)
    note: Path | None = None
    try:
        with contextlib.suppress(OSError):  # without it a second start is not told of this one
            note = note_open(desk.folder, guard)
        desk.worker.start()
        tell(f"http://{guard.address}/", guard.write_door(), phones.guard.address if phones else "")
        server.run()
    finally:
        guard.shut_door()
        if note is not None:
            note.unlink(missing_ok=True)
        server.close()
        desk.worker.end()
