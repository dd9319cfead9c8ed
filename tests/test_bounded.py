"""How much of a file is read: small files that stand for gigabytes are refused in a sentence, in little memory.

The bounds are this project's own contract (`optimiser/bounded.py`); what is refused is made here with the standard
library and pyarrow.
"""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import subprocess
import sys
import textwrap
import time
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from optimiser.errors import ScenarioError, SeriesError
from optimiser.readers.content import content_of
from optimiser.readers.draft import draft_mapping
from optimiser.readers.mapping import shipped_mappings
from optimiser.readers.table import read_prices
from optimiser.scenario.read import read_scenario
from optimiser.series import bounded
from optimiser.series.table import Source, read_table
from optimiser.starter import write_starter

SOURCE = Source(file="x", stamps="start", step_minutes=60)


def refused(path: Path) -> str:
    """The one sentence with which a data file is refused."""
    with pytest.raises(SeriesError) as error:
        read_table("x", SOURCE, path)
    (fault,) = error.value.faults
    return fault


def parquet(path: Path, table: pa.Table) -> Path:
    pq.write_table(table, path, compression="zstd")
    return path


def many_values(path: Path) -> Path:
    """Forty million equal numbers, in some kilobytes."""
    rows = 40_000_000
    return parquet(
        path, pa.table({"interval_start": pa.nulls(rows, pa.int8()), "load": pa.nulls(rows, pa.int8())})
    )


def long_words(path: Path) -> Path:
    """One word of a megabyte, two thousand times."""
    words = pa.DictionaryArray.from_arrays(pa.array(np.zeros(2000, np.int32)), pa.array(["x" * 1_000_000]))
    return parquet(path, pa.table({"interval_start": words}))


def many_lines(path: Path) -> Path:
    with gzip.open(path, "wb") as file:
        for _ in range(60):
            file.write(b"0\n" * 500_000)
    return path


def long_text(path: Path) -> Path:
    """Seven hundred megabytes of one letter."""
    with gzip.open(path, "wb", compresslevel=1) as file:
        for _ in range(700):
            file.write(b"x" * 1_000_000)
    return path


def wide(path: Path) -> Path:
    path.write_bytes(b",".join(b"c%d" % n for n in range(6000)) + b"\n")
    return path


LARGE = {
    "many.parquet": (
        many_values,
        "it has 40,000,000 rows, the most is 5,000,000. Cut it to the span you need.",
    ),
    "words.parquet": (long_words, "it unpacks to more than 500000000 bytes. Cut it to the span you need."),
    "lines.csv.gz": (
        many_lines,
        "it has 30,000,000 rows, the most is 5,000,000. Cut it to the span you need.",
    ),
    "text.csv.gz": (long_text, "it unpacks to more than 500000000 bytes. Cut it to the span you need."),
    "wide.csv": (wide, "it has 6,000 columns, the most is 5,000. Keep those that you need."),
}


@pytest.mark.skipif(sys.platform != "linux", reason="the limit of a process is Linux's")
@pytest.mark.parametrize("name", LARGE)
def test_a_small_file_never_takes_gigabytes(tmp_path, name):
    """Within 1.5 GB beyond what the libraries take, in a process that may have no more."""
    make, sentence = LARGE[name]
    path = make(tmp_path / name)
    assert path.stat().st_size < 5_000_000
    script = """
        import re, resource, sys
        from pathlib import Path
        from optimiser.errors import SeriesError
        from optimiser.series.table import Source, read_table
        taken = int(re.search(r"VmSize:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) * 1024
        resource.setrlimit(resource.RLIMIT_AS, (taken + 1_500_000_000,) * 2)
        try:
            read_table("x", Source(file="x", stamps="start", step_minutes=60), Path(sys.argv[1]))
        except SeriesError as error:
            print(*error.faults)
    """
    command = [sys.executable, "-c", textwrap.dedent(script), path]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert sentence == done.stdout.strip(), done.stderr


def test_a_table_of_prices_is_bounded_alike(tmp_path):
    """What `import` reads has the same bounds."""
    for name in ("many.parquet", "lines.csv.gz"):
        make, sentence = LARGE[name]
        with pytest.raises(SeriesError) as error:
            read_prices(make(tmp_path / name), next(iter(shipped_mappings())))
        assert [sentence] == error.value.faults


def test_what_is_within_the_bounds_is_read_as_pandas_reads_it(tmp_path):
    """Words, numbers, stamps and gaps of a Parquet file are those that pandas gives; lists are left out."""
    stamps = pd.date_range("2025-01-01", periods=4, freq="h", tz="UTC")
    frame = pd.DataFrame(
        {"interval_start": stamps, "load": [1.0, 2.0, np.nan, 4.0], "word": ["a", "b", "a", None]}
    )
    frame.to_parquet(tmp_path / "whole.parquet")
    pd.testing.assert_frame_equal(
        pd.read_parquet(tmp_path / "whole.parquet"),
        bounded.parquet_frame((tmp_path / "whole.parquet").read_bytes()),
    )
    frame.assign(tags=[[1], [2], [3], [4]]).to_parquet(tmp_path / "lists.parquet")
    assert ["load", "word"] == list(read_table("x", SOURCE, tmp_path / "lists.parquet").frame)
    frame.to_csv(tmp_path / "plain.csv", index=False)
    (tmp_path / "packed.csv.gz").write_bytes(gzip.compress((tmp_path / "plain.csv").read_bytes()))
    plain, packed = (read_table("x", SOURCE, tmp_path / name) for name in ("plain.csv", "packed.csv.gz"))
    pd.testing.assert_frame_equal(plain.frame, packed.frame)


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"notes": ' + "[" * 900 + "]" * 900 + "}", '{"notes": 1' + "0" * 9000]
)
def test_notes_that_are_no_notes_are_taken_as_text(tmp_path, text):
    """Notes of a Parquet file are what someone else wrote: nested deeply, cut off, or a number without end."""
    stamps = pd.date_range("2025-01-01", periods=2, freq="h", tz="UTC")
    table = pa.table({"interval_start": stamps, "load": [1.0, 2.0]}).replace_schema_metadata({b"notes": text})
    (note,) = read_table("x", SOURCE, parquet(tmp_path / "x.parquet", table)).notes
    assert len(note) <= 1000


def packed(kind: int) -> bytes:
    """An archive with one file of numbers."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", kind) as archive:
        archive.writestr("load.csv", "".join(f"{n},{n * n % 97}\n" for n in range(2000)))
    return held.getvalue()


@pytest.mark.parametrize(
    "kind", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA]
)
def test_a_damaged_archive_is_refused_in_a_sentence(tmp_path, kind):
    """Bytes changed anywhere: it is read, or refused with a way out, whatever the packing's own errors are
    (`lzma.LZMAError`, `OSError` of bz2).
    """
    whole, chance, path = packed(kind), np.random.default_rng(4), tmp_path / "load.zip"
    told = 0
    for _ in range(150):
        bad = bytearray(whole)
        for place in chance.integers(4, len(bad), 3):
            bad[place] ^= 1 << chance.integers(8)
        path.write_bytes(bad)
        with contextlib.suppress(SeriesError):
            content_of(path)
            continue
        told += 1
    assert told > 20


@pytest.mark.parametrize("make", [bz2.compress, lzma.compress, gzip.compress])
def test_a_packing_that_is_cut_short_is_no_table(tmp_path, make):
    """As the data file of a scenario."""
    path = tmp_path / "x.csv.gz"
    path.write_bytes(make(b"interval_start,load\n" * 50)[:-12])
    assert "can be read as CSV" in refused(path).replace("cannot", "can")


def test_files_that_use_each_other_many_times_over_are_refused_at_once(tmp_path):
    """Six files of twenty uses each stand for 20^6 tables; told by the count, in less than five seconds."""
    write_starter(tmp_path / "site")
    for depth in range(6):
        inner = f'use = "level{depth + 1}.toml"' if depth < 5 else "x = 1"
        text = "".join(f"[t{n}]\n{inner}\n" for n in range(20))
        (tmp_path / "site" / f"level{depth}.toml").write_text(text)
    file = tmp_path / "site" / "scenario.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace("[cost]\n", '[cost]\nuse = "level0.toml"\n'), "utf-8"
    )
    began = time.process_time()
    with pytest.raises(ScenarioError, match=r"`use` stands more than 200 times .* or write the tables out\."):
        read_scenario(file)
    assert time.process_time() - began < 5


def test_a_file_used_for_many_tables_is_read_once_and_counts_each_time(tmp_path):
    """A hundred and fifty services from one file are within the bound."""
    write_starter(tmp_path / "site")
    file = tmp_path / "site" / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    begin = text.index("[[service]]")
    head, service, rest = (
        text[:begin],
        text[begin : text.index("# ---", begin)],
        text[text.index("# ---", begin) :],
    )
    keys = "\n".join(line for line in service.splitlines()[1:] if not line.startswith("name"))
    (tmp_path / "site" / "service.toml").write_text(keys)
    many = "".join(f'[[service]]\nuse = "service.toml"\nname = "s{n}"\n' for n in range(150))
    file.write_text(f"{head}{many}{rest}", encoding="utf-8")
    assert 150 == len(read_scenario(file).service)


SECRET = "hunter2-of-someone-else"


@pytest.mark.parametrize(
    "content", [f"password: {SECRET}\n", f"[{SECRET}]\nx = 1\n", f'"{SECRET}" = [1, \n', SECRET]
)
@pytest.mark.parametrize("name", ["other.toml", "other.conf", "other"])
@pytest.mark.parametrize("where", ["use", "source"])
def test_no_line_of_a_file_that_is_no_scenario_file_is_shown(tmp_path, content, name, where):
    """A scenario may name another's folder as an outside folder; what lies there is not read out in faults."""
    write_starter(tmp_path / "site")
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / name).write_text(content)
    file = tmp_path / "site" / "scenario.toml"
    text = file.read_text(encoding="utf-8").replace(
        "# outside_folders =", 'outside_folders = ["../theirs"]  #'
    )
    place = f"../theirs/{name}"
    slip = ("[cost]\n", f'[cost]\nuse = "{place}"\n') if where == "use" else ('"site.csv"', f'"{place}"')
    file.write_text(text.replace(*slip, 1), encoding="utf-8")
    with pytest.raises(ScenarioError) as error:
        read_scenario(file)
    assert SECRET not in str(error.value)
    assert name in str(error.value)


def test_a_damaged_parquet_file_without_a_mapping_is_refused_in_a_sentence(tmp_path):
    """Where `import` only looks for what its columns are called."""
    path = parquet(tmp_path / "x.parquet", pa.table({"a": [1.0]}))
    path.write_bytes(path.read_bytes()[:-7])
    with pytest.raises(SeriesError, match=r"it is not Parquet that can be read: .* or save it as CSV\."):
        draft_mapping(path)
