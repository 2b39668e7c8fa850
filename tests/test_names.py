"""Names of what plug-ins have, the numbers their parameters take, which ports are used; no plug-in is needed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reverdict.render.hosts import BuildError, Slip, lilv
from reverdict.render.hosts.names import distinct, find
from reverdict.render.hosts.parameters import Range, find_parameter
from reverdict.render.hosts.ports import AudioPorts, choose_ports

KNOWN = [["decay", "Decay time"], ["mix", "Dry/Wet"], ["MIX", "Other mix"], ["size", "Decay size"], ["Size"]]


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("decay", 0),
        ("mix", 1),
        ("MIX", 2),
        ("Dry/Wet", 1),
        ("dry/wet", 1),
        ("dry", 1),
        ("other", 2),
        ("DECAY", 0),
        ("Size", 4),
        ("decay s", 3),
    ],
)
def test_a_name_is_found_exactly_else_in_other_capitals_else_by_its_start(name, found):
    assert find("key", "thing", name, KNOWN) == found


@pytest.mark.parametrize(
    ("name", "complaint"),
    [
        ("dec", 'thing "dec" may be decay or size'),
        ("SIZE", 'thing "SIZE" may be size or Size'),
        ("", 'thing "" may be decay or mix or MIX or size or Size'),
        ("decoy", 'no thing "decoy"; did you mean decay? there are decay, mix, MIX, size, Size'),
        ("zzz", 'no thing "zzz"; there are decay, mix, MIX, size, Size'),
    ],
)
def test_a_name_that_is_none_or_several_is_a_slip(name, complaint):
    with pytest.raises(Slip) as slip:
        find("build.key", "thing", name, KNOWN)
    assert str(slip.value) == f"build.key: {complaint}"


def test_nothing_known_is_said():
    with pytest.raises(Slip, match=r'^build.parameters: no parameter "x"; there is none$'):
        find_parameter("x", [])


def test_equal_names_are_told_apart():
    assert distinct(["Gain", "Pan", "Gain", "Gain 2", "Gain"]) == ["Gain", "Pan", "Gain 2", "Gain 2 2", "Gain 3"]


@pytest.mark.parametrize(
    ("taken", "value", "number"),
    [
        (Range(0.1, 0.3), 0.1, 0.1),
        (Range(float(np.float32(0.1)), float(np.float32(0.3))), 0.3, 0.3),
        (Range(), -1e30, -1e30),
        (Range(0, 1, whole=True), True, 1.0),
        (Range(0, 9, choices={"Hall": 3.0, "Room": 4.0}), "hall", 3.0),
        (Range(0, 9, choices={"Hall": 3.0}), 7, 7.0),
    ],
)
def test_values_in_range(taken, value, number):
    assert taken.number("p", value) == number


@pytest.mark.parametrize(
    ("taken", "value", "complaint"),
    [
        (Range(0.0, 10.0), 10.001, "10.001 is out of range, 0 to 10"),
        (Range(0.0, None), -1, "-1 is out of range, 0 or more"),
        (Range(None, 24000.0), 1e9, "1000000000.0 is out of range, 24000 or less"),
        (Range(0, 5, whole=True), 2.5, "2.5 is not a whole number"),
        (Range(0.0, 1.0), "much", 'is the text "much", needs a number, 0 to 1'),
        (
            Range(choices={"Hall": 3.0, "Room": 4.0}),
            "Hell",
            'no choice "Hell"; did you mean Hall? there are Hall, Room',
        ),
    ],
)
def test_values_out_of_range_name_it(taken, value, complaint):
    with pytest.raises(Slip) as slip:
        taken.number("p", value)
    assert str(slip.value) == f"build.parameters.p: {complaint}"


PORTS = [["in_l", "Left In"], ["in_r", "Right In"], ["key"]]


@pytest.mark.parametrize(
    ("side", "named", "needed", "chosen"),
    [
        ("inputs", (), 1, [0, 1]),
        ("inputs", (), 2, [0, 1]),
        ("inputs", ("key",), 1, [2]),
        ("inputs", ("right", "left"), 2, [1, 0]),
        ("outputs", (), 1, [0]),
        ("outputs", (), 2, [0, 1]),
        ("outputs", ("key", "in_l"), 1, [2]),
    ],
)
def test_ports_are_the_first_or_the_named_ones(side, named, needed, chosen):
    assert choose_ports(side, named, PORTS, needed) == chosen


def test_ports_that_cannot_be_used():
    with pytest.raises(Slip, match=r'^build.ports.inputs: no audio input "inn"; there are in_l, in_r, key$'):
        choose_ports("inputs", ("inn",), PORTS, 1)
    with pytest.raises(Slip, match=r"^build.ports.inputs: names a port twice$"):
        choose_ports("inputs", ("in_l", "Left In"), PORTS, 2)
    with pytest.raises(Slip, match=r"^build.ports.outputs: names 1 audio output, and the reference asks for 2$"):
        choose_ports("outputs", ("key",), PORTS, 2)
    with pytest.raises(BuildError, match=r"^the plug-in has 1 audio output \(out\), and the reference asks for 2$"):
        choose_ports("outputs", (), [["out"]], 2)
    with pytest.raises(BuildError, match=r"^the plug-in has no audio inputs, and the reference asks for 1$"):
        choose_ports("inputs", (), [], 1)


def test_what_is_not_in_use_hears_silence_and_one_channel_feeds_two_inputs():
    job = {"inputs": (), "input_channels": 1, "outputs": ("key",), "output_channels": 1, "block_size": 4}
    inputs = AudioPorts("inputs", job, {5: PORTS[0], 7: PORTS[1], 9: PORTS[2]})
    inputs.feed(np.array([[1.0, 2.0]]))
    heard = {port: [pointer[0], pointer[1]] for port, pointer in inputs.pointers.items()}
    assert heard == {5: [1.0, 2.0], 7: [1.0, 2.0], 9: [0.0, 0.0]}
    outputs = AudioPorts("outputs", job, {1: PORTS[0], 2: PORTS[2]})
    outputs.spoil(2)
    outputs.pointers[2][0] = 0.5
    with pytest.raises(BuildError, match="leaves sample 1 of a block of 2 unwritten"):
        outputs.taken(2)
    outputs.pointers[2][1] = math.nan
    np.testing.assert_array_equal(outputs.taken(2), [[0.5, np.nan]])
    assert not outputs.overrun
    outputs.pointers[2][4] = 0.0
    assert outputs.overrun


def test_where_liblilv_is_missing_it_is_said_how_to_get_it(monkeypatch):
    monkeypatch.setattr(lilv, "LINUX_LIBRARIES", ("no-such-lilv.so",))
    monkeypatch.setattr(lilv, "LIBRARIES", {})
    with pytest.raises(Slip, match=r"^build.kind: .*apt-get install liblilv-0-0"):
        lilv.Lilv(None)
