"""How results show themselves: a line for scripts, a table for notebooks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geosample.results import Result


@dataclass(frozen=True, slots=True, repr=False)
class Told(Result):
    facts: dict[str, Any]

    def summary(self) -> dict[str, Any]:
        return self.facts


def test_a_result_is_one_line_however_much_it_holds() -> None:
    told = repr(Told({f"name_{n}_m2": n / 7 for n in range(99)}))
    assert told.startswith("Told(name_0_m2=0, name_1_m2=0.1429, ")
    assert told.endswith(", ...)")
    assert len(told) <= 200
    assert "\n" not in told


def test_missing_and_none_are_told_apart_from_zero() -> None:
    assert repr(Told({"a": float("nan"), "b": None, "c": 0.0, "d": 0})) == "Told(a=missing, b=none, c=0, d=0)"


def test_the_notebook_shows_tables_within_and_says_what_it_leaves_out() -> None:
    page = Told({"<name>": "5 < 6", "rows": [{"kind": "green", "n": n} for n in range(20)]})._repr_html_()
    assert "&lt;name&gt;" in page
    assert "5 &lt; 6" in page
    assert page.count("<td>green</td>") == 12
    assert "and 8 more" in page
