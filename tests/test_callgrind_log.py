"""Callgrind's format: every rule of it that costs depend on, and what is no such file."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from reverdict.errors import BadInput
from reverdict.render.callgrind_log import Place, read_profile, summary_of

HEADER = "# callgrind format\nversion: 1\ncreator: callgrind-3.19.0\npositions: line\nevents: Ir Dr\n"
SOUND = (
    HEADER
    + """summary: 167 21

ob=(1) /lib/spring.so
fl=(1) /src/spring.c
fn=(1) play
5 100 20
cob=(2) /lib/libm.so
cfi=(2) /src/sin.c
cfn=(2) sin
calls=10 3
+2 4000 7
-1 5
fi=(3) /src/chain.h
12 7
fe=(1)
* 3 1
jcnd=4/5 +3
*
jump=2 20
* 1

fn=(3) f'2
7 30
fn=(4) f
8 20

ob=(2)
fl=(2)
fn=(2)
0x10 2

totals: 167 21
"""
)
BODY = SOUND[len(HEADER) :]


def written(folder: Path, text: str, name: str = "counts") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_own_costs_are_told_apart_from_those_of_calls(tmp_path: Path) -> None:
    profile = read_profile([written(tmp_path, SOUND)])
    assert profile.events == ("Ir", "Dr")
    assert profile.costs == {
        Place("play", "/src/spring.c", "/lib/spring.so"): (108, 21),
        Place("play", "/src/chain.h", "/lib/spring.so"): (7, 0),
        Place("f", "/src/spring.c", "/lib/spring.so"): (50, 0),
        Place("sin", "/src/sin.c", "/lib/libm.so"): (2, 0),
    }
    assert profile.total("Ir") == 167
    assert profile.total("Ir", "Dr") == 188
    assert profile.total("LLmr") == 0


def test_parts_and_files_add_up(tmp_path: Path) -> None:
    parts = HEADER + "part: 1\n" + BODY + "\npart: 2\n" + BODY
    files = [written(tmp_path, parts, "a"), written(tmp_path, SOUND, "b")]
    assert read_profile(files).total("Ir") == 3 * 167


def test_unknown_names_are_empty(tmp_path: Path) -> None:
    text = HEADER + "ob=(1) ???\nfl=(2) ???\nfn=(3) 0x00000000000010f0\n0 9\n"
    assert list(read_profile([written(tmp_path, text)]).costs) == [Place("0x00000000000010f0", "", "")]


def test_addresses_may_come_before_lines(tmp_path: Path) -> None:
    text = (
        "version: 1\npositions: instr line\nevents: Ir\nfl=a.c\nfn=f\n0x4000 7 12\n+4 * 3\ncalls=1 0x5000 1\n* * 100\n"
    )
    profile = read_profile([written(tmp_path, text)])
    assert profile.costs == {Place("f", "a.c", ""): (15,)}


def test_a_summary_is_found_without_reading_on(tmp_path: Path) -> None:
    assert summary_of(written(tmp_path, SOUND)) == 167
    with pytest.raises(BadInput, match="no summary"):
        summary_of(written(tmp_path, "version: 1\n"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "counts nothing"),
        ("version: 2\n", "line 1: is of version 2"),
        (HEADER + "fn=(1) f\nx 3\n", "line 7: is no line"),
        (HEADER + "fn=(7)\n", r"line 6: \(7\) stands for no name"),
        (HEADER + "fn=(1) f\n5 1 2 3\n", "costs that are no 2 numbers"),
        (HEADER + "fn=(1) f\n5 1.5\n", "costs that are no 2 numbers"),
        ("5 7\n", "costs before the line events"),
        ("events: " + "A " * 101 + "\n", "names 101 events"),
        (HEADER + BODY.replace("totals: 167 21", "totals: 168 21"), "other counts than its summary"),
        (SOUND[: SOUND.index("fn=(3)")], "other counts than its summary"),
        (HEADER + "part: 1\nevents: Ir\n", "other events"),
    ],
)
def test_what_does_not_follow_the_format_is_bad_input(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=said):
        read_profile([written(tmp_path, text)])


def test_files_that_count_other_things_do_not_add_up(tmp_path: Path) -> None:
    files = [written(tmp_path, SOUND, "a"), written(tmp_path, "version: 1\nevents: Ir\n", "b")]
    with pytest.raises(BadInput, match="others count"):
        read_profile(files)


def test_a_file_that_is_not_there_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        read_profile([tmp_path / "nothing"])


def test_no_damage_ends_in_anything_but_bad_input(tmp_path: Path) -> None:
    chance = random.Random(6)
    file = tmp_path / "damaged"
    sound = SOUND.encode()
    refused = 0
    for _ in range(2000):
        damaged = bytearray(sound)
        for _ in range(chance.randint(1, 4)):
            at = chance.randrange(len(damaged))
            if chance.random() < 0.3:
                del damaged[at : at + chance.randint(1, 40)]
            elif chance.random() < 0.5:
                damaged[at : at + 1] = bytes(chance.choices(b"0123456789()=:+-*x \n", k=chance.randint(1, 9)))
            else:
                damaged[at] = chance.randrange(256)
        file.write_bytes(damaged)
        try:
            read_profile([file])
        except BadInput:
            refused += 1
    assert refused > 1000
