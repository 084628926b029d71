"""Places in what people type, in the usual notations (ISO 6709, degrees and minutes, UTM and MGRS, geo URIs of RFC 5870)."""

from __future__ import annotations

import pytest

from edge.keep.places import told_in


@pytest.mark.parametrize(
    "text",
    [
        "Stone at -30.00123, -20.00456 beside the fence.",
        "30.00123 S 20.00456 E",
        "S30.00123 E20.00456",
        "S30.00 E20.00",
        "30.00 S, 20.00 E",
        "lat 51.50, lon -0.12",
        "Latitude: 51.5",
        "30° 00' 04\" S",
        "30 deg 0 min south",
        "S 30 00.074 E 20 00.274",
        "+40.20361-075.00417/",
        "40,20361 / 75,00417",
        "33T 500000 4649776",
        "33TWN 12345 67890",
        "geo:48.2010,16.3695",
        "maps?q=48.2010%2C16.3695",
        "@48.20,16.36,17z",
        "8FVC9G8F+6X",
        "///one.two.three",
    ],
)
def test_a_place_is_known_in_the_usual_notations(text: str) -> None:
    assert told_in(text) and told_in(f"Stuck here: {text} at noon")


@pytest.mark.parametrize(
    "text",
    [
        "Lodged patch along the creek.",
        "Fan from 980 to 860 rpm, returns 23.5 to 27.9 %.",
        "TGW 38.25 g, moisture 11.5 %, 2.75 t/ha",
        "Loads of 8.25 t, 7.75 t and 9.10 t.",
        "Wind NW 20, stopped at 19:30.",
        "Top sieve 16.5 mm, measured 17.2, 17.0, 17.4",
        "Older rotor machine, 9.1 m",
        "26/11/2026 14:05",
        "N 4 rows missed, E side",
    ],
)
def test_what_is_usually_typed_is_no_place(text: str) -> None:
    assert not told_in(text)
