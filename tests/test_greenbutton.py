"""Green Button files: the standard's codes and published samples, round trips, damage and what is refused."""

from __future__ import annotations

import gzip
import re
import time
import zipfile

import numpy as np
import pytest
from conftest import xml_feed as feed
from hypothesis import given
from hypothesis import strategies as st
from meter_files import green_button_text
from real_data import DATA

from optimiser.errors import SeriesError
from optimiser.readers.greenbutton.clock import dst_rule_words
from optimiser.readers.greenbutton.feed import read_green_button
from optimiser.readers.readings import ACTUAL, ESTIMATED, MISSING, SUBSTITUTED, Channel, Readings

SAMPLES = DATA / "meter-files"
needs_samples = pytest.mark.skipif(
    not SAMPLES.is_dir(), reason="no folder of published samples beside the checkout"
)


def written(tmp_path, text, name="meter.xml"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def faults_of(path, **options):
    with pytest.raises(SeriesError) as caught:
        read_green_button(path, **options)
    assert str(path) in str(caught.value)
    return caught.value.faults


def only(path, **options):
    (channel,) = read_green_button(path, **options).channels
    return channel


# --- the standard's meaning of a value ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "multiplier", "kwh"),
    [
        ("912", 0, 0.912),  # value of a published sample; uom 72 is Wh
        ("1234567", -3, 1.234567),  # arithmetic of the standard: value times 10 ** powerOfTenMultiplier
        ("3081", 0, 3.081),  # first hour of the open sample "1hrLP_32Days"
        ("2", 3, 2.0),
    ],
)
def test_value_is_scaled_by_its_multiplier(tmp_path, value, multiplier, kwh):
    """Energy is the value times ten to the multiplier, in Wh."""
    path = written(tmp_path, feed([(1563440400, value)], powerOfTenMultiplier=multiplier))
    assert pytest.approx(kwh, rel=1e-12) == only(path).energy[0]


@pytest.mark.parametrize(
    ("start", "utc"),
    [(1563440400, "2019-07-18T09:00"), (1330578000, "2012-03-01T05:00")],  # starts of two published samples
)
def test_start_is_seconds_of_utc(tmp_path, start, utc):
    """A start is seconds since 1970 in UTC, whatever the local clock of the file."""
    assert np.datetime64(utc) == only(written(tmp_path, feed([(start, "1")]))).start[0]


@pytest.mark.parametrize(
    ("uom", "flow", "kind", "unit"),
    [
        (72, 1, "import", "kWh"),  # codes of UomType and FlowDirectionType, espi.xsd, from memory
        (72, 19, "export", "kWh"),
        (72, 4, "net", "kWh"),
        (72, 0, "unknown", "kWh"),
        (73, 1, "reactive import", "kvarh"),
        (73, 19, "reactive export", "kvarh"),
    ],
)
def test_kind_and_unit_follow_the_codes(tmp_path, uom, flow, kind, unit):
    """`uom` and `flowDirection` say what was measured and which way it went."""
    channel = only(written(tmp_path, feed([(3600, "5")], uom=uom, flowDirection=flow)))
    assert (kind, unit) == (channel.kind, channel.unit)


def test_average_power_becomes_energy(tmp_path):
    """2,000 W (uom 38) on average (dataQualifier 2) over a quarter of an hour are 0.5 kWh."""
    path = written(tmp_path, feed([(900, "2000")], length=900, uom=38, dataQualifier=2))
    assert pytest.approx(0.5) == only(path).energy[0]


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        ({"uom": 38}, "without a word that it is the average"),
        ({"uom": 38, "dataQualifier": 8}, "maximum"),
        ({"uom": 169, "commodity": 7}, "not electricity"),
        ({"uom": 29}, "volts"),
        ({"accumulationBehaviour": 3}, "cumulative"),
        ({"accumulationBehaviour": 1}, "bulk"),
    ],
)
def test_what_is_no_energy_of_intervals_is_named(tmp_path, codes, words):
    """A register's count, a maximum or gas is not taken for energy of intervals."""
    (fault,) = faults_of(written(tmp_path, feed([(3600, "5")], **codes)))
    assert words in fault


@pytest.mark.parametrize(
    ("code", "quality"),
    # QualityOfReading of espi.xsd, from memory: 8 and 9 estimated, 7 edited by hand, 17 validated, 19 for billing
    [
        (0, ACTUAL),
        (7, SUBSTITUTED),
        (8, ESTIMATED),
        (9, ESTIMATED),
        (17, ACTUAL),
        (19, ACTUAL),
        (77, ESTIMATED),
    ],
)
def test_quality_follows_the_codes(tmp_path, code, quality):
    """Quality of a reading by its code; a code that the standard does not list is not trusted."""
    channel = only(written(tmp_path, feed([(3600, "5", code)])))
    assert [quality] == list(channel.quality)
    assert (code in (0, 17, 19)) == (not any(f"quality {code}" in note for note in channel.notes))


def test_a_reading_without_value_is_missing_not_zero(tmp_path):
    """No value is no energy known."""
    channel = only(written(tmp_path, feed([(3600, "5"), (7200, None), (10800, "0")])))
    assert [ACTUAL, MISSING, ACTUAL] == list(channel.quality)
    assert np.isnan(channel.energy[1])
    assert 0 == channel.energy[2]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (
            "B40E2000",
            "first Sunday of November at 02:00",
        ),  # the rules of North America since 2007, as utilities
        ("360E2000", "second Sunday of March at 02:00"),  # publish them in these files
        (
            "AE0E3000",
            "last Sunday of October at 03:00",
        ),  # Directive 2000/84/EC, Central European clock, by hand
        ("B40E", None),
        ("FFFFFFFF", None),
    ],
)
def test_dst_rule_in_words(rule, words):
    """The bits of a rule of daylight saving, and None for what is none."""
    assert words == dst_rule_words(rule)


# --- layouts that utilities use -----------------------------------------------------------------------------------


def test_prefixes_do_not_matter(tmp_path):
    """Namespaces are told by address: a file with prefixes reads as one without."""
    plain = feed([(3600, "5"), (7200, "6")])
    prefixed = plain.replace("xmlns:e=", "xmlns:ns0=").replace("<e:", "<ns0:").replace("</e:", "</ns0:")
    assert plain != prefixed
    one, other = only(written(tmp_path, plain)), only(written(tmp_path, prefixed, "other.xml"))
    np.testing.assert_array_equal(one.energy, other.energy)


def test_links_that_lead_straight_up(tmp_path):
    """The open samples of 2012: blocks linked to their meter reading itself, spaces around codes, comments, a
    processing instruction, several blocks in an entry, no word on quality."""
    text = feed([(3600, " 5 "), (7200, "6")]).replace(
        '<?xml version="1.0"?>',
        '<?xml version="1.0"?><?xml-stylesheet type="text/xsl" href="x.xslt"?><!-- draft -->',
    )
    text = text.replace(
        'rel="up" href="UsagePoint/1/MeterReading/1/IntervalBlock"',
        'rel="up" href="/UsagePoint/1/MeterReading/1"',
    )
    text = text.replace("<e:uom>72<", "<!-- Wh --><e:uom> 72 <")
    text = re.sub("<e:ReadingQuality>.*?</e:ReadingQuality>", "", text)
    text = text.replace(
        "</e:IntervalReading>\n<e:IntervalReading>",
        "</e:IntervalReading></e:IntervalBlock>\n<e:IntervalBlock><e:IntervalReading>",
    )
    assert 2 == text.count("<e:IntervalBlock>")
    channel = only(written(tmp_path, text))
    assert pytest.approx([0.005, 0.006]) == list(channel.energy)
    assert ("2 readings without a word on quality: taken as actual",) == channel.notes


def test_bare_blocks_need_a_declared_unit(tmp_path):
    """Blocks without feed or reading type are refused until the unit is declared, and then say so."""
    text = feed([(3600, "5")])
    block = text[text.index("<e:IntervalBlock") : text.index("</e:IntervalBlock>")] + "</e:IntervalBlock>"
    bare = block.replace("<e:IntervalBlock", '<e:IntervalBlock xmlns:e="http://naesb.org/espi"', 1)
    path = written(tmp_path, bare)
    (fault,) = faults_of(path)
    assert "unit" in fault
    assert "line 1" in fault
    channel = only(path, unit="kWh")
    assert [5.0] == list(channel.energy)
    assert any("as declared" in note for note in channel.notes)


def test_compressed_files_read_alike(tmp_path):
    """gzip, by content and not by name, and a zip archive with one file."""
    text = feed([(3600, "5"), (7200, "6")]).encode()
    archive = tmp_path / "meter.zip"
    with zipfile.ZipFile(archive, "w") as made:
        made.writestr("usage.xml", text)
    for path in (written(tmp_path, gzip.compress(text), "meter.dat"), archive):
        assert pytest.approx([0.005, 0.006]) == list(only(path).energy)


def test_several_meters_keep_apart(tmp_path):
    """Two meter readings with types of their own: import and export, each with its own blocks."""
    both = feed([(3600, "5")], meter=1).replace("</feed>", "") + feed(
        [(3600, "7")], meter=2, flowDirection=19, head=""
    )
    channels = read_green_button(written(tmp_path, both)).channels
    assert [("1/1", "import", 0.005), ("1/2", "export", 0.007)] == [
        (channel.name, channel.kind, pytest.approx(channel.energy[0])) for channel in channels
    ]


def test_a_reading_type_is_not_borrowed(tmp_path):
    """Of two registers, one without a link to its type has no unit; alone, it takes the only type and says so."""
    unlinked = feed([(3600, "7")], meter=2, head="").replace('<link rel="related" href="ReadingType/2"/>', "")
    unlinked = re.sub(
        r'<entry><link rel="self" href="ReadingType/2"/>.*?</entry>', "", unlinked, flags=re.DOTALL
    )
    (fault,) = faults_of(written(tmp_path, feed([(3600, "5")]).replace("</feed>", "") + unlinked))
    assert "the unit of 1/2 is unknown" in fault
    alone = feed([(3600, "5")]).replace('<link rel="related" href="ReadingType/1"/>', "")
    readings = read_green_button(written(tmp_path, alone))
    assert any("not linked to a reading type" in note for note in readings.notes)


def test_lengths_of_interval_keep_apart(tmp_path):
    """Hours and quarters of one register become two channels; a month's total is left out and said."""
    path = written(tmp_path, feed([(3600, "5", 17, 900), (7200, "6", 17, 3600), (0, "9", 17, 2_592_000)]))
    # A start of 0 would be 1970: the total starts a day later.
    path.write_text(path.read_text().replace("<e:start>0<", "<e:start>86400<"))
    readings = read_green_button(path)
    assert {15, 60} == {channel.step_minutes for channel in readings.channels}
    assert any("a day or longer" in note for note in readings.notes)


def test_a_gap_stays_a_gap(tmp_path):
    """Hours that the file lacks are unknown in the series, not zero."""
    power = only(written(tmp_path, feed([(3600, "5"), (14400, "6")]))).power()
    assert 4 == len(power)
    assert 2 == power.isna().sum()


def test_repeats_are_counted_and_contradictions_refused(tmp_path):
    """The same value twice counts once; two values for one hour are a fault unless one is newer."""
    channel = only(written(tmp_path, feed([(3600, "5"), (3600, "5")])))
    assert 1 == len(channel.energy)
    assert any("repeated" in note for note in channel.notes)
    (fault,) = faults_of(written(tmp_path, feed([(3600, "5"), (3600, "6")])))
    assert "twice" in fault
    assert "1970-01-01 01:00Z" in fault


def test_negative_energy_of_an_import_register_is_net(tmp_path):
    """A file that calls its values import and has some below zero holds net energy, and that is said."""
    channel = only(written(tmp_path, feed([(3600, "5"), (7200, "-6")])))
    assert "net" == channel.kind
    assert any("below zero" in note for note in channel.notes)


# --- faults -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("<e:value>5<", "<e:value>5,0<"), "value of a reading"),
        (("<e:value>5<", "<e:value>NaN<"), "value of a reading"),
        (("<e:value>5<", "<e:value>1e3<"), "value of a reading"),
        (("<e:value>5<", "<e:value>99999999999999999<"), "at most"),
        (("<e:start>3600<", "<e:start>soon<"), "start of a reading"),
        (("<e:start>3600<", "<e:start>3601<"), "whole minute"),
        (("<e:start>3600<", "<e:start>-3600<"), "since 1970"),
        (("<e:start>3600<", "<e:start>4500<"), "whole number of 60 min"),
        (
            ("<e:duration>3600</e:duration><e:start>3600<", "<e:duration>0</e:duration><e:start>3600<"),
            "duration",
        ),
        (("<e:uom>72<", "<e:uom>Wh<"), "uom of a ReadingType"),
        (("<e:uom>72</e:uom>", ""), "no uom"),
        (("Multiplier>0<", "Multiplier>99<"), "between -12 and 12"),
        (("</feed>", ""), "not well-formed"),
        (("http://naesb.org/espi", "http://example.org/other"), "without a resource"),
    ],
)
def test_faults_name_the_place(tmp_path, change, words):
    """Each fault is one sentence with its line, and none is a traceback."""
    text = feed([(3600, "5"), (7200, "6"), (10800, "7")])
    assert change[0] in text
    faults = faults_of(written(tmp_path, text.replace(*change)))
    assert any(words in fault for fault in faults), faults
    assert words == "without a resource" or all("line " in fault for fault in faults)


def test_all_faults_at_once(tmp_path):
    """Faults of several readings come together, and very many are counted."""
    assert 3 == len(faults_of(written(tmp_path, feed([(3600, "x"), (7200, "6"), (10801, "y")]))))
    many = faults_of(written(tmp_path, feed([(3600 * hour, "x") for hour in range(1, 50)])))
    assert 21 == len(many)
    assert "29 more" in many[-1]


def test_entity_bombs_are_refused_at_once(tmp_path):
    """A document type is refused before any entity grows (the "billion laughs" of common practice, no source)."""
    rows = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    bomb = f'<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY a0 "ha">{rows}]>' + feed([(3600, "5")]).replace(
        '<?xml version="1.0"?>', ""
    ).replace("<e:value>5<", "<e:value>&a9;<")
    began = time.monotonic()
    (fault,) = faults_of(written(tmp_path, bomb))
    assert "document type" in fault
    assert time.monotonic() - began < 5


def test_files_that_are_no_feed(tmp_path):
    """A missing, empty, cut or foreign file gets one sentence."""
    assert "does not exist" in faults_of(tmp_path / "none.xml")[0]
    assert "empty" in faults_of(written(tmp_path, ""))[0]
    assert "well-formed" in faults_of(written(tmp_path, "100,NEM12,200501011200\n"))[0]
    assert "unpacked" in faults_of(written(tmp_path, gzip.compress(feed([(3600, "5")]).encode())[:-20]))[0]


@given(st.data())
def test_damage_is_refused_or_harmless(tmp_path_factory, data):
    """Bytes flipped and lines cut or swapped: a sentence, or values that the damaged text really says."""
    raw = bytearray(feed([(3600 * hour, str(100 + hour)) for hour in range(1, 9)]).encode())
    kind = data.draw(st.sampled_from(["flip", "cut", "swap", "drop"]))
    if kind == "flip":
        for place in data.draw(st.lists(st.integers(0, len(raw) - 1), min_size=1, max_size=4)):
            raw[place] = data.draw(st.integers(0, 255))
    elif kind == "cut":
        del raw[data.draw(st.integers(0, len(raw) - 1)) :]
    else:
        lines = bytes(raw).split(b"\n")
        one, two = (data.draw(st.integers(0, len(lines) - 1)) for _ in range(2))
        if kind == "swap":
            lines[one], lines[two] = lines[two], lines[one]
        else:
            del lines[one]
        raw = bytearray(b"\n".join(lines))
    path = written(tmp_path_factory.getbasetemp(), bytes(raw), "damaged.xml")
    try:
        readings = read_green_button(path)
    except SeriesError:
        return
    for channel in readings.channels:
        assert (np.diff(channel.start.astype("int64")) > 0).all()
        said = np.isnan(channel.energy) | np.isclose(
            np.rint(channel.energy * 1e3 * 1e6), channel.energy * 1e3 * 1e6
        )
        assert said.all()
        assert (np.isnan(channel.energy) == (channel.quality == MISSING)).all()


# --- round trips and real files -----------------------------------------------------------------------------------


@st.composite
def channels(draw):
    """A channel of any kind, with gaps, unknown values and every quality."""
    step = draw(st.sampled_from([5, 15, 30, 60]))
    slots = sorted(draw(st.sets(st.integers(0, 500), min_size=1, max_size=40)))
    values = draw(st.lists(st.integers(0, 10**9), min_size=len(slots), max_size=len(slots)))
    quality = np.array(draw(st.lists(st.integers(0, 3), min_size=len(slots), max_size=len(slots))), "int8")
    energy = np.where(quality == MISSING, np.nan, np.array(values) / 1e6)
    kind = draw(st.sampled_from(["import", "export", "net", "unknown", "reactive import", "reactive export"]))
    unit = (
        "kvarh"
        if "reactive" in kind
        else draw(st.sampled_from(["kWh", "kvarh"]))
        if kind == "unknown"
        else "kWh"
    )
    start = np.datetime64("2024-03-30T22:00", "s") + np.array(slots) * np.timedelta64(step * 60, "s")
    return Channel("any", kind, unit, step, start, energy, quality)


@given(st.lists(channels(), min_size=1, max_size=3))
def test_round_trip(tmp_path_factory, made):
    """What is written reads back as it was: starts, energy, quality, kind, unit."""
    path = written(
        tmp_path_factory.getbasetemp(), green_button_text(Readings("made", "made", tuple(made))), "trip.xml"
    )
    back = read_green_button(path).channels
    assert len(made) == len(back)
    for one, other in zip(made, back, strict=True):
        assert (one.kind, one.unit, one.step_minutes) == (other.kind, other.unit, other.step_minutes)
        np.testing.assert_array_equal(one.start, other.start)
        np.testing.assert_array_equal(one.quality, other.quality)
        np.testing.assert_allclose(other.energy, one.energy, rtol=1e-12, atol=1e-12)


@needs_samples
def test_published_hourly_sample():
    """300 hours of a utility's export: the sum of its values, taken with a plain search of the text, in Wh."""
    path = SAMPLES / "espi_hourly_2023.xml"
    text = path.read_text(encoding="utf-8")
    values = [int(part.split("<")[0]) for part in text.split("<value>")[1:]]
    channel = only(path)
    assert (300, 60, "import") == (len(channel.energy), channel.step_minutes, channel.kind)
    assert pytest.approx(sum(values) / 1000) == channel.energy.sum()
    assert (np.datetime64("2023-02-22T18:00"), np.datetime64("2023-03-07T05:00")) == (
        channel.start[0],
        channel.start[-1],
    )


@needs_samples
def test_published_quarter_hour_sample():
    """Three quarters of an hour: 210, 200 and 210 Wh from 2015-06-07 07:00 UTC, beside summaries of bills."""
    channel = only(SAMPLES / "espi_15min_with_summary.xml")
    assert pytest.approx([0.21, 0.2, 0.21]) == list(channel.energy)
    assert np.datetime64("2015-06-07T07:00") == channel.start[0]


@needs_samples
def test_published_blocks_without_type_are_refused():
    """Interval blocks alone say no unit: refused until it is declared; repeats of the export count once."""
    path = SAMPLES / "espi_interval_block_hourly.xml.gz"
    assert "unit" in faults_of(path)[0]
    text = gzip.decompress(path.read_bytes()).decode()
    channel = only(path, unit="Wh")
    assert len(set(text.split("<ns0:IntervalReading>")[1:])) >= len(channel.energy)
    assert 2280 == len(channel.energy)  # 95 days of 24 hours


@pytest.mark.benchmark
def test_year_of_quarters(tmp_path):
    """Seconds to read a year of quarter-hours."""
    count = 35040
    start = np.datetime64("2024-01-01", "s") + np.arange(count) * np.timedelta64(900, "s")
    channel = Channel("any", "import", "kWh", 15, start, np.ones(count), np.zeros(count, "int8"))
    path = tmp_path / "year.xml"
    path.write_text(green_button_text(Readings("made", "made", (channel,))), encoding="utf-8")
    began = time.perf_counter()
    read_green_button(path)
    print(
        f"\nGreen Button, {count} readings, {path.stat().st_size / 1e6:.0f} MB: {time.perf_counter() - began:.1f} s"
    )
