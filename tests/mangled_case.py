"""Ways in which a filled sheet comes back: other files, other words, other signs, and rows that are wrong."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
from counts_case import STAGE_KEYS, edit, write

from geosample.design import Design

Mangle = Callable[[pd.DataFrame, Path, Design], Path]


@dataclass(frozen=True)
class Mangling:
    """What was done to the sheet, which points' rows are bad then, and what the reader says of it."""

    name: str
    do: Mangle
    bad: tuple[str, ...] = ()
    told: str = ""
    columns: dict[str, str] = field(default_factory=dict)
    method: str | None = None
    by_position: bool = False


def as_csv(change: Callable[[pd.DataFrame], pd.DataFrame], **how: object) -> Mangle:
    return lambda sheet, folder, _: write(change(sheet), folder / "back.csv", **how)


def as_text(change: Callable[[str], str | bytes], **how: object) -> Mangle:
    """Change the CSV's text itself."""

    def do(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
        made = change(sheet.to_csv(index=False, **how))
        (folder / "back.csv").write_bytes(made if isinstance(made, bytes) else made.encode())
        return folder / "back.csv"

    return do


def relabel(change: Callable[[str], str]) -> Callable[[pd.DataFrame], pd.DataFrame]:
    return lambda sheet: sheet.assign(point_id=[change(text) for text in sheet["point_id"]], sample_id="")


def with_positions(
    sheet: pd.DataFrame, design: Design, show: Callable[[float, float], tuple[str, str]] | None = None
) -> pd.DataFrame:
    """Positions 1.5 m off the plan in every row."""
    points = design.points.set_index("point_id").loc[sheet["point_id"]]
    rng = np.random.default_rng(9)
    turn = rng.uniform(0, 2 * np.pi, len(points))
    lat = points["lat"] + 1.5 * np.sin(turn) / 111_057
    lon = points["lon"] + 1.5 * np.cos(turn) / 83_400
    show = show or (lambda north, east: (f"{north:.7f}", f"{east:.7f}"))
    texts = [show(north, east) for north, east in zip(lat, lon, strict=True)]
    return sheet.assign(lat=[text[0] for text in texts], lon=[text[1] for text in texts])


def positions_shown(show: Callable[[float, float], tuple[str, str]], **how: object) -> Mangle:
    return lambda sheet, folder, design: write(with_positions(sheet, design, show), folder / "back.csv", **how)


def unlabelled(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    filled = sheet[(sheet["L1"] != "") | (sheet["status"] != "")]
    bare = with_positions(filled, design).assign(point_id="", sample_id="")
    return write(bare.sample(frac=1, random_state=4), folder / "back.csv")


def one_far(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    lon, lat = design.points.set_index("point_id").loc["01F-01", ["lon", "lat"]]
    return write(edit(sheet, "01F-01", lat=f"{lat + 0.0005:.6f}", lon=f"{lon:.6f}"), folder / "back.csv")


def dms(value: float, plus: str, minus: str) -> str:
    seconds = round(abs(value) * 3600, 2)
    return f"{int(seconds // 3600)}°{int(seconds % 3600 // 60)}'{seconds % 60:05.2f}\"{plus if value >= 0 else minus}"


def as_workbook(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    """Numbers as numbers, a title and an empty line above the header, a second sheet of prose."""
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Counts of the first week of May"])
    page.append([])
    page.append(list(sheet.columns))
    for row in sheet.to_dict("records"):
        page.append([float(c) if name in STAGE_KEYS and c else c or None for name, c in row.items()])
    book.create_sheet("how to").append(["status", "what became of it"])
    book.save(folder / "back.xlsx")
    return folder / "back.xlsx"


def with_formula(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    path = as_workbook(sheet, folder, design)
    book = openpyxl.load_workbook(path)
    page = book.worksheets[0]
    row = 4 + int(sheet.index[sheet["point_id"] == "01F-02"][0])
    page.cell(row, 1 + list(sheet.columns).index("L3")).value = "=1+2"
    book.save(path)
    return path


def as_geojson(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    features = []
    for row in with_positions(sheet, design).to_dict("records"):
        place = [float(row.pop("lon")), float(row.pop("lat"))]
        properties = {name: (int(text) if name in STAGE_KEYS and text else text or None) for name, text in row.items()}
        geometry = {"type": "Point", "coordinates": place}
        features.append({"type": "Feature", "geometry": geometry, "properties": properties})
    (folder / "back.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return folder / "back.geojson"


def comments(sheet: pd.DataFrame, design: Design) -> list[tuple[str, str, str, str]]:
    rows = with_positions(sheet, design).to_dict("records")
    said = []
    for row in rows:
        found = [f"{stage}={row[stage]}" for stage in STAGE_KEYS if row[stage]]
        status = [f"status: {row['status']}"] if row["status"] else []
        said.append((row["point_id"], row["lat"], row["lon"], ", ".join([*found, *status])))
    return said


def as_gpx(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    marks = "".join(
        f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name><cmt>{said}</cmt><desc>10 paces in from the left</desc></wpt>'
        for name, lat, lon, said in comments(sheet, design)
    )
    text = f'<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{marks}</gpx>'
    (folder / "back.gpx").write_text(text)
    return folder / "back.gpx"


def as_kml(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    marks = "".join(
        f"<Placemark><name>{name}</name><description>{said}</description>"
        f"<Point><coordinates>{lon},{lat},0</coordinates></Point></Placemark>"
        for name, lat, lon, said in comments(sheet, design)
    )
    text = f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{marks}</Document></kml>'
    (folder / "back.kml").write_text(text)
    return folder / "back.kml"


def as_form(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    """A form server's export: groups before the names, its own columns, the position in one cell."""
    placed = with_positions(sheet, design)
    when = "2026-05-04T09:30:00.000-04:00"
    position = [f"{lat} {lon} 88.0 4.5" for lat, lon in zip(placed["lat"], placed["lon"], strict=True)]
    form = placed.drop(columns=["lat", "lon", "walk_order", "accuracy_m"]).assign(
        position=position, start=when, _uuid="a-b", collected_at=when
    )
    form = form.rename(columns={stage: f"bench/{stage}" for stage in STAGE_KEYS})
    return write(form[form["bench/L1"] != ""], folder / "back.csv")


def in_two_files(sheet: pd.DataFrame, folder: Path, design: Design) -> Path:
    twice = pd.concat([sheet, sheet.iloc[5:9]])
    return write(twice, folder / "back.csv")


def with_sums(sheet: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([sheet, sheet.tail(1).assign(point_id="Total", sample_id="", L1="99")])


def with_rival(sheet: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([sheet, edit(sheet, "01F-02", L3="9").query("point_id == '01F-02'")])


def minutes(north: float, east: float) -> tuple[str, str]:
    return f"{int(north)} {north % 1 * 60:.5f} N", f"{int(-east)} {-east % 1 * 60:.5f} W"


def commas(north: float, east: float) -> tuple[str, str]:
    return f"{north:.6f}".replace(".", ","), f"{east:.6f}".replace(".", ",")


def nowhere(*_: float) -> tuple[str, str]:
    return "0", "0"


def latin(text: str) -> bytes:
    return text.replace("crew A", "équipe").encode("cp1252")
