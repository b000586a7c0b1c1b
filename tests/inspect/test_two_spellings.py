"""An id whose accents come as one sign or as two is one device of a lot."""

from unicodedata import normalize

from lot_shop import Shop, document

COMPOSED = "Am\u00e9-1"
APART = normalize("NFD", COMPOSED)  # looks the same; other computers type it so


def test_a_device_in_two_spellings_is_counted_once(shop: Shop) -> None:
    """Twice the same device was a sample of two: a lot was accepted on half of it."""
    words = shop.opening(40, 2, 0, "--min-readings", "5", "--ids", "-", "--json")
    done = shop.run(words, ids=f"{APART}\n{COMPOSED}\n")
    lot = document(done)
    assert [one["device"] for one in lot["devices"]] == [APART]
    assert lot["decision"] == "open"
    assert {run.device for run in shop.runs()} == {APART}
