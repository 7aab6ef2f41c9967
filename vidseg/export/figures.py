"""Figures of many cases as SVG that can stand inside a page: same data, same bytes.

No style attribute is used, so that a page's policy need not allow any; texts stay texts.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter
from numpy.typing import NDArray

COLOURS = ("#0072b2", "#d55e00", "#009e73", "#aa4499", "#8a6d00", "#4d4d4d", "#56b4e9", "#882255")
"""Told apart by most colour-blind readers (after Okabe and Ito); markers differ too."""
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
MOST_SERIES = len(COLOURS)
SETTINGS: Any = {
    "svg.hashsalt": "vidseg",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#55616a",
    "axes.labelcolor": "#1a2126",
    "text.color": "#1a2126",
    "xtick.color": "#1a2126",
    "ytick.color": "#1a2126",
    "figure.facecolor": "#ffffff",
}
_STYLE = re.compile(r'\sstyle="([^"]*)"')
_FONT = re.compile(r"(?:(\w+)\s+)*?(\d+(?:\.\d+)?)px\s+(.+)")


@dataclass(frozen=True, slots=True)
class Series:
    """One surgeon's cases: ``numbers`` and ``times_s`` (n,), and the fitted line if any."""

    name: str
    numbers: NDArray[np.float64]
    times_s: NDArray[np.float64]
    line_numbers: NDArray[np.float64]
    line_s: NDArray[np.float64]


def _svg(figure: Figure, prefix: str) -> str:
    """Write a figure as SVG text for a page; ids get ``prefix``."""
    target = io.StringIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None})
    text = target.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'\s*<style type="text/css">.*?</style>', "", text, flags=re.DOTALL)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    text = text.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
    text = _STYLE.sub(_attributes, text)
    text = re.sub(r'\bid="', f'id="{prefix}-', text)
    text = re.sub(r'href="#', f'href="#{prefix}-', text)
    return re.sub(r"url\(#", f"url(#{prefix}-", text).strip()


def _attributes(match: re.Match[str]) -> str:
    """Turn a style attribute into presentation attributes (SVG 2, chapter 6.6)."""
    found: dict[str, str] = {}
    for part in match[1].split(";"):
        name, colon, value = part.partition(":")
        if not colon:
            continue
        name, value = name.strip(), value.strip()
        font = _FONT.fullmatch(value) if name == "font" else None
        if font is not None:
            found["font-size"] = f"{font[2]}px"
        elif name != "font":
            found[name] = value.replace('"', "'")
    return "".join(f' {name}="{value}"' for name, value in found.items())


def _seconds_axis(axes: Axes, label: str = "seconds") -> None:
    axes.set_xlabel(label)
    axes.grid(axis="x", color="#d3dade", linewidth=0.8)
    axes.set_axisbelow(True)


def _step_axis(axes: Axes, names: Sequence[str]) -> None:
    axes.set_yticks(range(len(names)), [_short(name) for name in names])
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _short(text: str, most: int = 34) -> str:
    plain = re.sub(r"[\x00-\x1f$]", " ", text)
    return plain if len(plain) <= most else plain[: most - 1] + "…"


def durations_figure(table: pd.DataFrame, prefix: str) -> str:
    """Draw boxes: quartiles, median with its interval, and the range (5th to 95th percentile
    where there are enough cases, else shortest to longest). Columns as in ``DISTRIBUTION``."""
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(9, 0.9 + 0.36 * len(table)), layout="constrained")
        axes = figure.subplots()
        for place, row in enumerate(table.to_dict("records")):
            low, high = row.get("p5_s", np.nan), row.get("p95_s", np.nan)
            if np.isnan(low) or np.isnan(high):
                low, high = row["min_s"], row["max_s"]
            axes.plot([low, high], [place, place], color="#55616a", linewidth=1.2)
            if row["q1_s"] == row["q1_s"]:
                width = row["q3_s"] - row["q1_s"]
                axes.barh(
                    place,
                    width,
                    left=row["q1_s"],
                    height=0.55,
                    color="#cfe3f1",
                    edgecolor=COLOURS[0],
                )
            axes.plot(
                [row["median_low_s"], row["median_high_s"]],
                [place, place],
                color=COLOURS[0],
                linewidth=4,
                solid_capstyle="butt",
            )
            axes.plot(
                row["median_s"], place, "o", color="#ffffff", markeredgecolor="#1a2126", zorder=5
            )
            if row["censored"]:
                axes.text(high, place, "  ≥", va="center")
        _step_axis(axes, [f"{row['name']} ({row['cases']})" for row in table.to_dict("records")])
        axes.set_xlim(left=0)
        _seconds_axis(axes)
        return _svg(figure, prefix)


def curve_figure(series: Sequence[Series], prefix: str) -> str:
    """Draw times against case numbers, a marker and colour for each series, with fitted lines."""
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(9, 4.2), layout="constrained")
        axes = figure.subplots()
        numbers = np.concatenate([one.numbers for one in series])
        wide = bool(len(numbers) and numbers.max() > 30 * max(1.0, numbers.min()))
        small = len(numbers) > 400
        for place, one in enumerate(series):
            colour = COLOURS[place % MOST_SERIES]
            axes.plot(
                one.numbers,
                one.times_s,
                MARKERS[place % MOST_SERIES],
                color=colour,
                markersize=2.5 if small else 5,
                alpha=0.4 if small else 0.85,
                markeredgewidth=0,
                label=_short(one.name),
            )
            axes.plot(one.line_numbers, one.line_s, color=colour, linewidth=2)
        if wide:
            axes.set_xscale("log")
            axes.xaxis.set_major_locator(LogLocator(base=10, subs=(1.0, 2.0, 5.0)))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axes.xaxis.set_minor_formatter(NullFormatter())
        axes.set_ylim(bottom=0)
        axes.set_xlabel("case number" + (" (logarithmic)" if wide else ""))
        axes.set_ylabel("seconds")
        axes.grid(color="#d3dade", linewidth=0.8)
        axes.set_axisbelow(True)
        if len(series) > 1:
            figure.legend(loc="outside right upper", frameon=False)
        return _svg(figure, prefix)


def groups_figure(table: pd.DataFrame, names: Sequence[str], prefix: str) -> str:
    """Draw the medians of groups, a row for each step. Columns as in ``compare.GROUPS``."""
    steps = list(dict.fromkeys(zip(table["step"], table["name"], strict=True)))
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(9, 1.1 + 0.34 * len(steps)), layout="constrained")
        axes = figure.subplots()
        for place, (step, _) in enumerate(steps):
            own = table[table["step"] == step]["median_s"].dropna()
            if len(own):
                axes.plot([own.min(), own.max()], [place, place], color="#b9c3c9", linewidth=2)
        for number, group in enumerate(names):
            own = table[table["group"] == group].set_index("step")["median_s"]
            axes.plot(
                [float(own.get(step, np.nan)) for step, _ in steps],
                range(len(steps)),
                MARKERS[number % MOST_SERIES],
                color=COLOURS[number % MOST_SERIES],
                markersize=7,
                label=_short(str(group)),
            )
        _step_axis(axes, [name for _, name in steps])
        axes.set_xlim(left=0)
        _seconds_axis(axes, "median, seconds")
        figure.legend(loc="outside right upper", frameon=False)
        return _svg(figure, prefix)


def shifts_figure(table: pd.DataFrame, labels: Mapping[str, str], prefix: str) -> str:
    """Draw shifts between two groups with their intervals. Columns as in ``compare.PAIRS``."""
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(9, 1.0 + 0.34 * len(table)), layout="constrained")
        axes = figure.subplots()
        axes.axvline(0, color="#1a2126", linewidth=1)
        for place, row in enumerate(table.to_dict("records")):
            axes.plot(
                [row["shift_low_s"], row["shift_high_s"]],
                [place, place],
                color=COLOURS[0],
                linewidth=2.5,
            )
            axes.plot(row["shift_s"], place, "s", color=COLOURS[0])
        _step_axis(axes, [str(name) for name in table["name"]])
        _seconds_axis(axes, f"seconds, {_short(labels['first'])} minus {_short(labels['second'])}")
        return _svg(figure, prefix)
