"""Somebody dies in a sequence: the first few of the campaign kept in DEATHS.md.

What follows from each death by itself is in `test_rack_keeper.py`; here are the audits.
"""

import json

import pytest
from recorder.rack import death_scene
from recorder.rack.death_campaign import SAFE_S, campaign


@pytest.mark.slow
def test_a_sequence_that_was_cut_gives_the_same_table():
    outcomes = list(campaign(3, 7))
    assert [one.faults for one in outcomes] == [[], [], []]
    assert all(one.off_s <= SAFE_S and one.safe_s <= SAFE_S for one in outcomes)
    assert sum(one.readings for one in outcomes) > 200


def test_the_audit_sees_a_figure_that_is_off():
    line = {"name": "supply", "value": 0.1, "u": 0.02}
    base = {"devices": [{"device": "DUT-1", "characteristics": [line]}]}
    found = json.loads(json.dumps(base))
    found["devices"][0]["characteristics"][0]["value"] = 0.2
    ((name, far),) = death_scene.apart(found, base)
    assert name == "DUT-1 supply"
    assert far == pytest.approx(0.1 / (0.02 * 2**0.5))


def test_the_audit_sees_a_channel_that_moved_within_a_gate():
    moves = [(10, "(@101)"), (50, "(@)"), (60, "(@102)")]
    # private: what `wrong_ids` asks for each reading
    assert death_scene._closed_between(moves, 20, 40) == {"(@101)"}
    assert death_scene._closed_between(moves, 40, 70) == {"(@101)", "(@)", "(@102)"}
