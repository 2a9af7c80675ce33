"""A dropout is told at once, a storm of them once a minute."""

from oyez.playout.troubles import Troubles, silence


def test_nothing_wrong_is_nothing_to_tell():
    assert Troubles().push({"xruns": 0, "starved": 0}, 0.0) is None


def test_the_first_is_told_at_once_and_the_rest_of_the_minute_together():
    troubles = Troubles()
    assert troubles.push({"xruns": 1, "starved": 0}, 0.0) == ("1 times the output ran dry", {"xruns": 1})
    assert troubles.push({"xruns": 5, "starved": 480}, 30.0) is None
    told = troubles.push({"xruns": 7, "starved": 480}, 61.0)
    assert told == (
        "6 times the output ran dry, 480 frames of sound were not read in time",
        {"xruns": 6, "starved": 480},
    )
    assert troubles.push({"xruns": 7, "starved": 480}, 200.0) is None


def test_another_output_counts_anew():
    troubles = Troubles()
    troubles.push({"xruns": 5}, 0.0)
    assert troubles.push({"xruns": 0}, 100.0) is None
    assert troubles.push({"xruns": 1}, 200.0) == ("1 times the output ran dry", {"xruns": 1})


def test_a_card_that_is_waited_for_is_told_as_that_and_none_as_none():
    card = {"id": "speakers", "kind": "card", "health": "waiting"}
    reason = "no such sound card: 'USB' is not there, there are 'Hall'"
    assert silence({"silent_reason": reason, "outputs": [card]}) == (
        "No such sound card: 'USB' is not there, there are 'Hall'; playing silently until it opens"
    )
    assert silence({"silent_reason": "the venue names no sound card", "outputs": []}) == (
        "Playing silently: the venue names no sound card"
    )
    assert silence({}) == "Playing silently: no sound hardware"
