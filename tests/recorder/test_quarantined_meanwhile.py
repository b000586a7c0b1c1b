"""A run that is put into quarantine while it goes on ends no other with it."""

from contextlib import closing
from dataclasses import replace

from recorder.test_late_ends import two_plans

from benchlog.recorder.keeper import opened_keeper
from benchlog.store.integrity.quarantine import RUN
from benchlog.store.reader import Reader
from benchlog.store.writer import Writer


def test_the_other_run_goes_on_to_its_end(plan_for, database, clock):
    heard, ends = [], {}

    def tell(notice):
        if notice.kind == "ended":
            ends[notice.run_id] = notice
        heard.append(notice.reading is not None and notice.run_id == 1)
        if heard[-1] and sum(heard) == 5:
            with Writer.open(database, clock) as writer:
                assert writer.put_aside((RUN, 1), "a page of it is damaged", "test")

    first, other = two_plans(plan_for)
    other = replace(other, max_readings=60)
    with opened_keeper([first, other], database, clock, tell=tell) as keeper:
        keeper.wait_for_all()
        keeper.begin()
        keeper.loop()
    assert "readings reached; no verdict: run 1 cannot be read" in ends[1].text
    with Writer.open(database, clock) as writer:
        writer.release((RUN, 1), "looked at", "test")
    with closing(Reader.open(database)) as reader:
        both = [reader.run(run) for run in (1, 2)]
        assert [run.ended_how for run in both] == ["readings reached"] * 2
        assert [reader.count(run.id) for run in both] == [10, 60]
        assert both[0].verdict is None and both[1].verdict is not None
