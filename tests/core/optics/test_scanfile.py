"""Reading of delimited text as instruments and people write it."""

import codecs

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.core.optics.scanfile import Columns, read_columns
from app.core.optics.units import unit_of_header
from app.core.optics.unreadable import ScanUnreadable

ROWS = [(1550.0 + 0.001 * i, 0.9 - 0.01 * (i % 7)) for i in range(40)]


def text(delimiter: str = ",", mark: str = ".", head: str = "", end: str = "\n", rows=ROWS) -> str:
    return head + "".join(f"{x:.4f}{delimiter}{y:.3f}".replace(".", mark) + end for x, y in rows)


def refusal(data: bytes) -> ScanUnreadable:
    with pytest.raises(ScanUnreadable) as caught:
        read_columns(data)
    return caught.value


def finite_or_refused(data: bytes) -> bool:
    """Whether the bytes give finite columns, or a refusal with words."""
    try:
        return bool(np.isfinite(read_columns(data).values).all())
    except ScanUnreadable as refused:
        return bool(refused.text)


def same(columns: Columns, rows=ROWS) -> None:
    np.testing.assert_allclose(columns.values, np.round(rows, 4), atol=1e-9)


@pytest.mark.parametrize(
    ("delimiter", "mark"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), (" ", ","), (", ", "."), ("   ", ".")],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_decimal_marks_and_line_ends(delimiter, mark, end):
    """Comma, semicolon, tab and blanks, decimal point and comma, line ends of all systems."""
    columns = read_columns(text(delimiter, mark, end=end).encode())
    same(columns)
    assert columns.decimal == ("comma" if mark == "," else "point")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_encodings(encoding):
    """UTF-8 with and without mark, UTF-16 with and without, and the micro sign of older instruments."""
    columns = read_columns(text(";", ",", "Zeit [µs];Signal [V]\n").encode(encoding))
    same(columns)
    assert columns.names == ("Zeit [µs]", "Signal [V]")
    assert columns.units == ("us", "V")


@pytest.mark.parametrize(
    ("head", "names", "units"),
    [
        ("wavelength_nm,transmission\n", ("wavelength_nm", "transmission"), ("nm", None)),
        ("# wavelength_nm transmission\n", ("wavelength_nm", "transmission"), ("nm", None)),
        ("made by: me\ndate: 3 March\n\ndetuning (MHz),V\n", ("detuning (MHz)", "V"), ("MHz", None)),
        ("Source,CH1\nTIME,CH1\ns,V\n", ("TIME", "CH1"), ("s", "V")),
        ('"Time [s]","Ch 1 [mV]"\n', ("Time [s]", "Ch 1 [mV]"), ("s", "mV")),
        ("Averages,16\nPoints,40,,\nWavelength/nm,P/uW\n", ("Wavelength/nm", "P/uW"), ("nm", "uW")),
        ("second,volt\n", ("second", "volt"), ("s", "V")),
        ("", ("0", "1"), (None, None)),
    ],
)
def test_preambles_and_headings(head, names, units):
    """Lines above the numbers are told from the heading, whose names and units are taken."""
    columns = read_columns(text(head=head).encode())
    same(columns)
    assert (columns.names, columns.units) == (names, units)
    assert columns.heading_lines == head.count("\n")


def test_heading_of_a_file_with_blanks_keeps_units_with_their_names():
    """'detuning (MHz) signal (V)' are two names, not four."""
    assert read_columns(text(" ", head="detuning (MHz) signal (V)\n").encode()).names == (
        "detuning (MHz)",
        "signal (V)",
    )


def test_blank_and_broken_rows_are_skipped_and_counted():
    """Blank lines are passed over; rows that are no numbers, or not finite, are skipped and named by line."""
    lines = text(head="t_s,V\n").splitlines()
    lines[5:5] = ["", "overload,overload", "1550.1,", "1550.1,nan", "inf,0.5", "  "]
    columns = read_columns("\n".join(lines).encode())
    same(columns)
    assert columns.skipped_count == 4
    assert columns.skipped_lines == (7, 8, 9, 10)
    assert "4 lines without numbers skipped (line 7, 8, 9, …)" in columns.in_words()


def test_columns_of_words_and_empty_fields_are_left_out():
    """A time stamp in front, an old oscilloscope's empty columns: only numbers become columns."""
    stamped = "".join(f"2026-03-03 10:00:{i % 60:02d},{x},{y}\n" for i, (x, y) in enumerate(ROWS))
    same(read_columns(stamped.encode()))
    scope = "".join(
        f"{'Record Length' if i < 3 else ''},{i if i < 3 else ''},,{x},{y},\n" for i, (x, y) in enumerate(ROWS)
    )
    same(read_columns(scope.encode()))


def test_a_long_file_keeps_every_row_in_order():
    """Files longer than a piece are put together without a seam; a broken row far down is found by its line."""
    n = 250_000
    x = np.arange(n) * 1e-3
    lines = [f"{v:.6f},{v * 2:.6f}" for v in x]
    lines[200_000] = "hiccup"
    columns = read_columns(("a,b\n" + "\n".join(lines)).encode())
    assert columns.skipped_lines == (200_002,)
    np.testing.assert_allclose(columns.values[:, 0], np.delete(x, 200_000), atol=1e-9)


@pytest.mark.parametrize(
    ("data", "code", "words"),
    [
        (b"", "empty", "empty"),
        (b" \n\n\t\r\n", "empty", "empty"),
        (b"\xef\xbb\xbf", "empty", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(500), "picture", "PNG picture"),
        (b"\xff\xd8\xff\xe0" + bytes(500), "picture", "JPEG picture"),
        (b"%PDF-1.7 ...", "document", "PDF"),
        (b"PK\x03\x04" + bytes(100), "damaged", "damaged"),
        (b"\x93NUMPY\x01\x00", "damaged", "damaged"),
        (b"\x89HDF\r\n\x1a\n", "damaged", "damaged"),
        (bytes(range(256)) * 8, "binary", "not text"),
        (b"1,2\n" * 30 + b"\x01\x02", "binary", "byte 121"),
        ("\n".join(str(i * 0.1) for i in range(50)).encode(), "one_column", "one column"),
        (b"dear diary, today\nwe measured, nothing\n" * 10, "no_numbers", "dear diary"),
        (b"x,y\n" + b"nan,nan\n" * 40, "not_finite", "NaN or infinite"),
        (b"x,y\n" + b"1,inf\n" * 40, "not_finite", "40 of 40"),
        (text(rows=ROWS[:9]).encode(), "too_few_rows", "only 9 rows"),
    ],
)
def test_what_is_no_scan_is_refused_with_a_sentence(data, code, words):
    """Each kind of bad file has its own code and says what was found."""
    found = refusal(data)
    assert found.code == code
    assert words in found.text
    assert "\n" not in found.text


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(data):
    """Arbitrary bytes never raise anything but ScanUnreadable."""
    for candidate in (data, codecs.BOM_UTF16_LE + data, b"1.5,2.5\n" * 20 + data, data + b"\n1;2\n" * 20):
        assert finite_or_refused(candidate)


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet="0123456789.,;\t eE+-naifx#\n\"'µ", max_size=400))
def test_any_text_of_number_like_signs_is_read_or_refused(body):
    """Text that is nearly a table never raises anything but ScanUnreadable."""
    assert finite_or_refused((body + "\n" + text()).encode())


@settings(max_examples=120, deadline=None)
@given(
    rows=st.lists(st.tuples(*[st.floats(-1e6, 1e6).map(lambda v: round(v, 6))] * 2), min_size=16, max_size=40),
    layout=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), ("  ", ",")]),
    heading=st.sampled_from(["", "a{0}b\n", "# run 7\n\na [nm]{0}b [V]\n", "note: x\nx_MHz{0}y\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    form=st.sampled_from(["{:.6f}", "{:.10e}", "{:+.7g}"]),
)
def test_what_was_written_is_read_again(rows, layout, heading, encoding, form):
    """Round trip over delimiters, decimal marks, headings, encodings and number formats."""
    delimiter, mark = layout
    body = heading.format(delimiter if delimiter != "  " else " ")
    body += "".join(delimiter.join(form.format(v).replace(".", mark) for v in row) + "\n" for row in rows)
    wanted = np.array([[float(form.format(v)) for v in row] for row in rows])
    np.testing.assert_allclose(read_columns(body.encode(encoding)).values, wanted, rtol=1e-12)


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("wavelength_nm", "nm"),
        ("detuning (MHz)", "MHz"),
        ("time [s]", "s"),
        ("Time(us)", "us"),
        ("zeit in µs", "us"),
        ("Wavelength/nm", "nm"),
        ("frequency, THz", "THz"),
        ("freq_ghz", "GHz"),
        ("power (dBm)", "dBm"),
        ("MHz", "MHz"),
        ("signal V", None),
        ("trace", None),
        ("m", None),
        ("mode number", None),
    ],
)
def test_units_in_headings(heading, unit):
    """Units behind a bracket, an underscore, a slash or 'in' are found; channel letters are not units."""
    assert unit_of_header(heading) == unit
