"""Dates in EDTF: examples of the specification itself, and what no calendar has."""

from __future__ import annotations

from contextlib import redirect_stdout
from io import StringIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.plate_log import dates as plate_dates
from platebench.plate_log.dates import date_in_words, plate_date

# Examples of the Library of Congress EDTF specification (4 February 2019), levels 0 to 2, from
# memory; the days they can mean are by definition of the format.
SPECIFIED = {
    "1985-04-12": ("1985-04-12", "1985-04-12"),
    "1985-04": ("1985-04-01", "1985-04-30"),
    "1985": ("1985-01-01", "1985-12-31"),
    "1964/2008": ("1964-01-01", "2008-12-31"),
    "2004-02-01/2005-02-08": ("2004-02-01", "2005-02-08"),
    "2004-06~": ("2004-06-01", "2004-06-30"),
    "1984?": ("1984-01-01", "1984-12-31"),
    "2004-06-11%": ("2004-06-11", "2004-06-11"),
    "201X": ("2010-01-01", "2019-12-31"),
    "20XX": ("2000-01-01", "2099-12-31"),
    "2004-XX": ("2004-01-01", "2004-12-31"),
    "1985-04-XX": ("1985-04-01", "1985-04-30"),
    "1985-XX-XX": ("1985-01-01", "1985-12-31"),
    "1985-04-12/..": ("1985-04-12", ""),
    "../1985": ("", "1985-12-31"),
    "1985/": ("1985-01-01", ""),
    "/1985-04-12": ("", "1985-04-12"),
    "1984?/2004~": ("1984-01-01", "2004-12-31"),
    "2001-21": ("2001-01-01", "2001-12-31"),
    "../1985?": ("", "1985-12-31"),
    "201X~/..": ("2010-01-01", ""),
    "[1667,1668,1670..1672]": ("1667-01-01", "1672-12-31"),
}


@pytest.mark.parametrize("text", SPECIFIED)
def test_the_specification_s_own_examples(text: str) -> None:
    date = plate_date(text)
    assert (date.first, date.last) == SPECIFIED[text]
    assert date.edtf == text


@settings(max_examples=200, deadline=None)
@given(st.text(st.sampled_from("0189-/~?%X.,[]{}YES:+ a"), max_size=12))
def test_any_text_is_a_date_or_refused(text: str) -> None:
    out = StringIO()
    with redirect_stdout(out):
        try:
            date = plate_date(text)
        except ValueError:
            pass
        else:
            assert date_in_words(date.edtf)
            assert not (date.first and date.last) or date.first <= date.last
    assert out.getvalue() == ""


@pytest.mark.parametrize("text", ["1893", "1893-05", "1893-05-12", "1896-02-29"])
def test_a_plain_date_is_exact(text: str) -> None:
    assert plate_date(f" {text} ").exact == text


@pytest.mark.parametrize("text", ["1893~", "189X", "1893/1895", "../1895", "1893-21", "0000"])
def test_others_are_not(text: str) -> None:
    assert plate_date(text).exact == ""


@pytest.mark.parametrize(
    "text",
    [
        *("", "May 1893", "about 1893", "1893-13", "1893-5", "93", "12/05/1893", "c. 1893", "nan"),
        *("/", "..", "../..", "../", "..~", "1893/1894/1895", "1893/May", "../x", "[", "{1893"),
        *("1893-02-29", "1900-02-29", "1893-04-31/1894", "1893-06-00", "1895/1893", "1" * 61),
    ],
)
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        plate_date(text)


@pytest.mark.parametrize(
    "text", ["1893", "0001", "9999", "1893-02", "1892-02", "1893-12", "1893-05-12"]
)
def test_plain_dates_mean_what_the_parser_of_edtf_says(text: str) -> None:
    assert plate_dates._bounds_of_plain(text) == plate_dates._bounds(text)
