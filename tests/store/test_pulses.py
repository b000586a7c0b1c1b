"""Edges come back as arrays, with the ambient values beside them."""

from store.making import begin

from benchlog.model import Condition, Edge, Flag


def edge(number: int, instrument: str = "counter", **more) -> Edge:
    at_ns = number * 10**9
    return Edge(instrument, 19 * 10**17 + at_ns, at_ns, number, **more)


def ambient(value: float, flags: Flag = Flag.NONE) -> Condition:
    return Condition(1, 1, "ambient", value, "C", "room", flags)


def test_edges_as_arrays(writer, reader):
    run, segment = begin(writer)
    other, _ = begin(writer, "D2")
    records = [
        edge(1),
        edge(1, "gps", flags=Flag.NO_FIX),
        ambient(23.0),
        edge(2),
        ambient(23.5, Flag.AMBIENT_TYPED),
    ]
    writer.commit([(run, segment, record) for record in records])
    writer.commit([(other, segment, edge(9))])
    found = reader.pulses_after(run)
    assert found.sequence.tolist() == [1, 1, 2]
    assert found.instrument.tolist() == ["counter", "gps", "counter"]
    assert found.flags.tolist() == [0, Flag.NO_FIX, 0]
    assert found.ambient_c == (23.0, 23.5)
    assert found.typed


def test_only_what_is_new(writer, reader):
    run, segment = begin(writer)
    writer.commit([(run, segment, edge(1)), (run, segment, ambient(23.0))])
    first = reader.pulses_after(run)
    writer.commit([(run, segment, edge(2))])
    later = reader.pulses_after(run, int(first.id[-1]), condition=first.last_condition)
    assert later.sequence.tolist() == [2]
    assert later.ambient_c == ()
    assert later.last_condition == first.last_condition
    assert len(reader.pulses_after(run, int(later.id[-1]))) == 0


def test_a_run_counts_the_pulses_of_its_device_alone(writer, reader):
    run, segment = begin(writer)
    records = [edge(1), edge(1, "gps"), edge(2)]
    writer.commit([(run, segment, record) for record in records])
    assert reader.run(run).readings == 2
