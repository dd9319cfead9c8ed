"""Readings written as meter files, for tests that read them back."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from optimiser.errors import SeriesError
from optimiser.readers.greenbutton.codes import ENERGY
from optimiser.readers.greenbutton.resources import ATOM, ESPI
from optimiser.readers.readings import ACTUAL, ESTIMATED, MISSING, SUBSTITUTED, Channel, Readings

_POWER_OF_TEN = -6  # of Wh: finer than any meter, and 48 bits still hold 281 MWh an interval
_USAGE_POINT = (
    "<espi:UsagePoint><espi:ServiceCategory><espi:kind>0</espi:kind></espi:ServiceCategory></espi:UsagePoint>"
)
_FLOWS = {"import": 1, "export": 19, "net": 4, "reactive import": 1, "reactive export": 19, "unknown": 0}
_QUALITY_CODE = {ACTUAL: 17, SUBSTITUTED: 7, ESTIMATED: 8}
_FLAG = re.compile(r"(?:[AEFNS](?:[0-9]{2})?|V)")


def green_button_text(readings: Readings) -> str:
    """Readings as a Green Button feed of one usage point, energy to a millionth of a Wh.

    Raises
    ------
    SeriesError
        If an amount of energy does not fit into the standard's 48 bits.
    """
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<feed xmlns="{ATOM}" xmlns:espi="{ESPI}">',
        "<title>Interval readings</title>",
        _entry("UsagePoint/1", "UsagePoint", ["UsagePoint/1/MeterReading"], _USAGE_POINT),
    ]
    for number, channel in enumerate(readings.channels, 1):
        parts += _channel_entries(number, channel, readings.file)
    return "\n".join([*parts, "</feed>\n"])


def _entry(own: str, up: str, related: list[str], content: str, title: str = "") -> str:
    links = "".join(f'<link rel="related" href="{escape(item)}"/>' for item in related)
    return (
        f'<entry><link rel="self" href="{own}"/><link rel="up" href="{up}"/>{links}<title>{escape(title)}</title>'
        f"<content>{content}</content></entry>"
    )


def _channel_entries(number: int, channel: Channel, file: str) -> Iterator[str]:
    reading, kind = f"UsagePoint/1/MeterReading/{number}", f"ReadingType/{number}"
    uom = {unit: code for code, unit in ENERGY.items()}.get(channel.unit)
    if uom is None:
        raise SeriesError(file, [f"{channel.name} is in {channel.unit}, which is not written. Leave it out."])
    yield _entry(
        kind,
        "ReadingType",
        [],
        "<espi:ReadingType><espi:accumulationBehaviour>4</espi:accumulationBehaviour><espi:commodity>1</espi:commodity>"
        f"<espi:flowDirection>{_FLOWS[channel.kind]}</espi:flowDirection>"
        f"<espi:intervalLength>{channel.step_minutes * 60}</espi:intervalLength><espi:kind>12</espi:kind>"
        f"<espi:powerOfTenMultiplier>{_POWER_OF_TEN}</espi:powerOfTenMultiplier><espi:uom>{uom}</espi:uom>"
        "</espi:ReadingType>",
    )
    yield _entry(
        reading,
        "UsagePoint/1/MeterReading",
        [kind, f"{reading}/IntervalBlock"],
        "<espi:MeterReading/>",
        channel.name,
    )
    length = channel.step_minutes * 60
    starts = channel.start.astype("datetime64[s]").astype("int64")
    scaled = channel.energy * 10.0 ** (3 - _POWER_OF_TEN)
    if (np.abs(scaled[np.isfinite(scaled)]) >= 2.0**47).any():
        raise SeriesError(
            file, [f"an interval of {channel.name} holds more energy than the format can carry."]
        )
    rows = [
        f"<espi:interval><espi:duration>{int(starts[-1] - starts[0]) + length}</espi:duration>"
        f"<espi:start>{starts[0]}</espi:start></espi:interval>"
    ]
    for start, value, quality in zip(starts.tolist(), scaled.tolist(), channel.quality.tolist(), strict=True):
        known = quality != MISSING and np.isfinite(value)
        code = _QUALITY_CODE.get(quality, 0)
        mark = (
            f"<espi:ReadingQuality><espi:quality>{code}</espi:quality></espi:ReadingQuality>" if known else ""
        )
        figure = f"<espi:value>{round(value)}</espi:value>" if known else ""
        rows.append(
            f"<espi:IntervalReading>{mark}<espi:timePeriod><espi:duration>{length}</espi:duration>"
            f"<espi:start>{start}</espi:start></espi:timePeriod>{figure}</espi:IntervalReading>"
        )
    block = "<espi:IntervalBlock>" + "\n".join(rows) + "</espi:IntervalBlock>"
    yield _entry(f"{reading}/IntervalBlock/1", f"{reading}/IntervalBlock", [], block)


def nem12_text(readings: Readings, made: datetime.datetime | None = None) -> str:
    """Readings as a NEM12 file.

    Parameters
    ----------
    readings : Readings
        Of whole days on the market's clock (UTC+10). A channel is named NMI/suffix.
    made : datetime, optional
        The time in the header and the update time of each day; left out: 1 January 2000, so that the same readings
        give the same text.

    Raises
    ------
    SeriesError
        If a day is not whole.
    """
    stamp = (made or datetime.datetime(2000, 1, 1)).strftime("%Y%m%d%H%M%S")
    out = [f"100,NEM12,{stamp[:12]},,\n"]
    for channel in readings.channels:
        meter, _, suffix = channel.of_register.rpartition("/")
        config = "".join(
            dict.fromkeys(c.of_register.rpartition("/")[2] for c in readings.channels if c.meter == meter)
        )
        out.append(f"200,{meter},{config},,{suffix},,,{channel.unit},{channel.step_minutes},\n")
        table = channel.table()
        clock = table["start"].dt.tz_localize(None) + pd.Timedelta(hours=10)
        for date, rows in table.groupby(clock.dt.normalize().to_numpy(), sort=True):
            if len(rows) * channel.step_minutes != 1440:
                raise SeriesError(
                    readings.file,
                    [f"{channel.name}: the day {date:%Y-%m-%d} (UTC+10:00) is not whole. Repair it first."],
                )
            out += _day_records(date.strftime("%Y%m%d"), rows, stamp)
    return "".join([*out, "900\n"])


def _day_records(date: str, rows: pd.DataFrame, stamp: str) -> Iterator[str]:
    values = ["" if value != value else repr(float(value)) for value in rows["energy"]]
    flags = [_flag(flag, quality) for flag, quality in zip(rows["flag"], rows["quality"], strict=True)]
    marks = list(zip(flags, rows["reason"], strict=True))
    whole = len(set(marks)) == 1
    words = _reason_fields(marks[0][1]) if whole else ","
    yield f"300,{date},{','.join(values)},{flags[0] if whole else 'V'},{words},{stamp},\n"
    if whole:
        return
    first = 0
    for place in range(1, len(marks) + 1):
        if place == len(marks) or marks[place] != marks[first]:
            flag, reason = marks[first]
            yield f"400,{first + 1},{place},{flag},{_reason_fields(reason)}\n"
            first = place


def _flag(flag: str, quality: str) -> str:
    """The standard's flag of an interval, made from the quality where another format's stands there."""
    if quality == "missing":
        return flag if flag.startswith("N") and _FLAG.fullmatch(flag) else "N"
    if _FLAG.fullmatch(flag) and flag[0] not in "NV":
        return flag
    return {"actual": "A", "substituted": "S", "estimated": "E"}[quality]


def _reason_fields(reason: str) -> str:
    code, _, words = reason.partition(" ")
    if not re.fullmatch("[0-9]{1,3}", code):
        code, words = "", reason
    quoted = f'"{words.replace(chr(34), chr(39))}"' if "," in words or '"' in words else words
    return f"{code},{quoted}"
