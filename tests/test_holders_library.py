"""What a user may write wrongly about a holder, and the message he gets."""

from __future__ import annotations

from typing import Any

import pytest

from clearance.errors import InputError
from fixtures_lib import library


def message(name: Any, params: Any, **options: Any) -> Any:
    with pytest.raises(InputError) as caught:
        library.build(name, params, "items[2]", "setup.toml", **options)
    return str(caught.value)


@pytest.mark.parametrize(
    ("name", "params", "words"),
    [
        ("rial", {}, ["items[2].holder", "'rial'", "did you mean 'rail'", "v_block"]),
        ("Side jaw vise", {}, ["did you mean 'side_jaw_vise'"]),
        ("zzz", {}, ["'zzz'", "there is", "rail"]),
        ("solids", {}, ["'solids'", "there is"]),
        (["rail"], {}, ["['rail']", "there is"]),
        ("rail", {"lenght": 320}, ["items[2].params.lenght", "did you mean 'length'"]),
        ("rail", {"length": 5000}, ["items[2].params.length", "5000", "40 to 1000 mm"]),
        ("rail", {"length": "320"}, ["items[2].params.length", "'320'", "40 to 1000 mm"]),
        ("rail", {"length": True}, ["items[2].params.length", "True"]),
        ("rail", {"length": float("nan")}, ["items[2].params.length", "nan"]),
        ("rail", {"length": float("inf")}, ["items[2].params.length", "inf"]),
        ("rail", {"pads": 30}, ["items[2].params.pads", "30", "list of numbers"]),
        ("rail", {"pads": "30, 60"}, ["items[2].params.pads", "list of numbers"]),
        ("rail", {"pads": [30, "60"]}, ["items[2].params.pads[1]", "'60'"]),
        ("rail", {"pads": [30, 299]}, ["items[2].params.pads[1]", "299", "8 to 292"]),
        ("rail", {"height": 10, "pad_height": 9}, ["items[2].params.height", "over 12"]),
        ("rail", [320], ["items[2].params", "no table"]),
        ("strap", {"screw": "M7"}, ["items[2].params.screw", "'M7'", "M8"]),
        ("strap", {"screw": 8}, ["items[2].params.screw", "8", "M8"]),
        ("strap", {"slot": 80}, ["items[2].params.slot", "80", "at most 46"]),
        ("strap", {"screw": "M12", "width": 15}, ["items[2].params.width", "17.5 or more"]),
        ("strap", {"screw_below": 10, "nut_below": 12}, ["items[2].params.nut_below", "at most 10"]),
        ("v_block", {"diameter": 100}, ["items[2].params.diameter", "100", "10 to 80", "'large'"]),
        ("v_block", {"size": "large", "diameter": 60}, ["80 to 180", "'small'"]),
        ("v_block", {"mouth": 25}, ["items[2].params.mouth", "over 28.28"]),
        ("side_jaw_vise", {"opening": 120, "capacity": 100}, ["items[2].params.opening", "at most 100"]),
    ],
)
def test_message_names_file_place_found_and_wanted(name: Any, params: Any, words: Any) -> None:
    text = message(name, params)
    assert text.startswith("setup.toml: items[2]")
    for word in words:
        assert word in text


def test_place_may_be_given_with_or_without_params() -> None:
    for where in ("items[2]", "items[2].params"):
        with pytest.raises(InputError) as caught:
            library.build("rail", {"length": 1}, where)
        assert caught.value.place == "items[2].params.length"


def test_inches_become_mm_and_angles_stay() -> None:
    in_mm = library.build("v_block", {"diameter": 50.8, "angle": 90, "length": 76.2})
    in_inches = library.build("v_block", {"diameter": 2, "angle": 90, "length": 3}, scale=25.4)
    assert in_inches.params["size"] == "small"
    assert in_inches.params["angle"] == 90
    assert in_inches.params["diameter"] == pytest.approx(50.8)
    assert in_inches.triangles == pytest.approx(in_mm.triangles, abs=1e-9)
    text = message("rail", {"length": 100}, scale=25.4)
    assert "100 (2540 mm)" in text
    assert "40 to 1000 mm" in text


def test_what_the_user_gave_is_not_changed() -> None:
    params = {"pads": [30, 200]}
    library.build("rail", params)
    assert params == {"pads": [30, 200]}


@pytest.mark.parametrize("value", [5e-324, 1e-9, 10**400, [1.0], float("nan")])
def test_a_length_that_is_none_is_refused(value: object) -> None:
    with pytest.raises(InputError, match=r"params\.hole"):
        library.build("parallel", {"hole": value})
