"""The switches of tools/bench_switches.py fit the kernels and name tests that there are."""

from __future__ import annotations

import ast
from pathlib import Path

import bench_switches
import pytest
import switch_cases

from callresp.errors import UserError

TESTS = Path(__file__).parent
SWITCHES = switch_cases.SWITCHES


def test_every_switch_fits_its_kernel_and_compiles() -> None:
    kernels = TESTS.parent / bench_switches.KERNELS
    for file in {switch.file for switch in SWITCHES}:
        mine = [(n, switch) for n, switch in enumerate(SWITCHES) if switch.file == file]
        source = bench_switches.switched((kernels / file).read_text(), mine)
        ast.parse(source)
        assert all(source.count(f"_switch.turned_off() == {n})") == 1 for n, _ in mine)


def test_every_switch_has_a_name_of_its_own_and_tests() -> None:
    assert len({switch.name for switch in SWITCHES}) == len(SWITCHES)
    for switch in SWITCHES:
        assert switch.tests
        assert all((TESTS / test).exists() for test in switch.tests)


@pytest.mark.parametrize("old", ["no such passage", "a = 1"])
def test_a_passage_that_is_not_there_once_is_told(old: str) -> None:
    source = "from callresp.listen.kernels import onsets\na = 1\na = 1\n"
    switch = switch_cases.Switch("this", "onsets.py", old, "{off}", ("test_listen_onsets.py",))
    with pytest.raises(UserError, match="times"):
        bench_switches.switched(source, [(0, switch)])
