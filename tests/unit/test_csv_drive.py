"""CSV drives: what is read, and what is said of a bad one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from uphaul.errors import DriveFileError
from uphaul.log.csv_drive import read_csv
from uphaul.signals import Quality, Signal


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "drive.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_are_the_ticks(tmp_path: Path) -> None:
    path = write(tmp_path, "t_s,egt,tune\ns,degC,\n0,700.1,tow\n0.0504,,\n1,702,stock\n")
    block, tunes = read_csv(path)
    assert block.t_ms.tolist() == [0, 50, 1000]
    np.testing.assert_array_equal(block.values[:, 0], [700.1, np.nan, 702.0])
    assert block.tune.tolist() == [0, -1, 1]
    assert tunes == ("tow", "stock")


def test_a_tune_column_needs_no_unit(tmp_path: Path) -> None:
    block, tunes = read_csv(write(tmp_path, "t_s,egt,tune\ns,degC,\n0,700,tow\n"), tunes=("stock", "tow"))
    assert (block.tune.tolist(), tunes) == ([1], ("stock", "tow"))


def test_values_are_converted_to_the_signals_unit_and_held_to_its_range(tmp_path: Path) -> None:
    # 20 psi = 137.895 kPa. Source: NIST SP 811 (2008), appendix B.9
    signal = Signal("boost", "kPa", 10, low=-20, high=300)
    block, _ = read_csv(write(tmp_path, "t_s,boost\ns,psi\n0,20\n1,90\n2,-5\n3,inf\n"), [signal])
    np.testing.assert_array_equal(block.values[:, 0], [137.9, np.nan, np.nan, np.nan])
    assert [(q.t_ms, q.quality) for q in block.quality] == [
        (1000, Quality.ABOVE_RANGE),
        (2000, Quality.BELOW_RANGE),
        (3000, Quality.UNDECODABLE),
    ]


def test_a_byte_order_mark_and_windows_line_ends_are_fine(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_bytes(b"\xef\xbb\xbft_s,egt\r\ns,degC\r\n0,700\r\n\r\n0.05,701\r\n")
    assert read_csv(path)[0].t_ms.tolist() == [0, 50]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "drive.csv: the file is empty"),
        ("\n", "line 1: the first column is nothing; it must be t_s"),
        ("t_s;egt\ns;degC\n0;1\n", "line 1: the names are separated by semicolons; commas are expected"),
        ("t_s\tegt\ns\tdegC\n0\t1\n", "line 1: the names are separated by tabs; commas are expected"),
        ("time,egt\ns,degC\n0,1\n", "line 1: the first column is 'time'; it must be t_s"),
        ("t_s,egt,egt\ns,degC,degC\n", "line 1: column 3 is 'egt' a second time"),
        ("t_s,\ns,degC\n", "line 1: column 2 is named ''"),
        ("t_s,egt\n", "line 2: the row of units is missing"),
        ("t_s,egt\ns\n0,1\n", "line 2: 1 cells, but the header has 2"),
        ("t_s,egt\nms,degC\n0,1\n", "line 2: column 't_s': the unit is 'ms'; it must be s"),
        ("t_s,egt\ns,degX\n0,1\n", "line 2: column 'egt': no unit 'degX'; did you mean 'deg"),
        ("t_s,egt\ns,DEGC\n0,1\n", "line 2: column 'egt': no unit 'DEGC'; did you mean 'degC'"),
        ("t_s,boost\ns,PSI\n0,1\n", "line 2: column 'boost': no unit 'PSI'; did you mean 'psi'"),
        ("t_s,egt\ns,degC\n", "line 3: the drive is empty"),
        ("t_s,egt\ns,degC\n1e15,1\n", "line 3: column 't_s': 1e+15 s is too large; at most 1e+09 s"),
        ("t_s,egt\ns,degC\ninf,1\n", "line 3: column 't_s': 'inf'; every row needs a time"),
        ("t_s,egt\ns,degC\n0,1\n1,2,3\n", "line 4: 3 cells, but the header has 2"),
        ("t_s,egt\ns,degC\n0,1\n1,hot\n", "line 4: column 'egt': 'hot' is no number"),
        ("t_s,egt\ns,degC\n0,1\n0.0004,2\n", "line 4: column 't_s': 0.0004 s does not come after 0 s"),
        ("t_s,egt\ns,degC\n,1\n", "line 3: column 't_s': ''; every row needs a time"),
        ('t_s,egt\ns,degC\n0,"1\n', "no CSV"),
    ],
)
def test_says_what_is_wrong_and_where(tmp_path: Path, text: str, says: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(DriveFileError) as caught:
        read_csv(path)
    assert str(path) in str(caught.value)
    assert says in str(caught.value)


def test_a_unit_that_cannot_be_converted_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(DriveFileError, match=r"column 'egt': 'kPa' cannot be converted to 'degC'"):
        read_csv(write(tmp_path, "t_s,egt\ns,kPa\n0,1\n"), [Signal("egt", "degC", 4)])


def test_a_file_that_is_no_text_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(DriveFileError, match="not a UTF-8 text file"):
        read_csv(path)
