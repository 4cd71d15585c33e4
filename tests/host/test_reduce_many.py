"""Many runs reduced on several cores: the same figures, kept batch by batch, stopped and gone on with."""

import sqlite3
from contextlib import closing

import pytest
from evenfall.archive.archive import Archive
from evenfall.errors import DamageError, NotFoundError
from evenfall.workflow import reduce_many, reduce_service
from sample_runs import sample_run

MANY = 12


@pytest.fixture
def folder(tmp_path):
    with Archive(tmp_path) as archive, archive.change():
        for n in range(1, MANY + 1):
            archive.store_run(sample_run(n, seconds=12.0))
    return tmp_path


def kept(folder):
    with closing(sqlite3.connect(folder / "evenfall.sqlite")) as db:
        return db.execute(
            "SELECT run_id, key, summary, group_concat(torque_Nm || ' ' || count) FROM reductions "
            "JOIN bins ON bins.reduction_id = reductions.id GROUP BY reductions.id ORDER BY run_id"
        ).fetchall()


def test_two_processes_keep_what_one_does(folder, tmp_path_factory, monkeypatch):
    monkeypatch.setattr(reduce_many, "BATCH", 5)
    other = tmp_path_factory.mktemp("other")
    with Archive(other) as archive, archive.change():
        for n in range(1, MANY + 1):
            archive.store_run(sample_run(n, seconds=12.0))
    for place, jobs in ((folder, 2), (other, 1)):
        with Archive(place) as archive:
            numbers = list(range(1, MANY + 1))
            told = list(reduce_many.reduce_many(archive, numbers, jobs))
            assert [o.number for batch in told for o in batch] == numbers
            assert [len(batch) for batch in told] == [5, 5, 2]
            assert not any(o.error for batch in told for o in batch)
            assert archive.check() == []
    assert len(kept(folder)) == MANY and kept(folder) == kept(other)


def test_a_stopped_reduction_keeps_its_batches_and_goes_on(folder, monkeypatch):
    monkeypatch.setattr(reduce_many, "BATCH", 4)
    numbers = list(range(1, MANY + 1))
    with Archive(folder) as archive:
        assert reduce_many.due(archive, numbers) == numbers
        with pytest.raises(KeyboardInterrupt):
            for _ in reduce_many.reduce_many(archive, numbers, 2):
                raise KeyboardInterrupt
        rest = reduce_many.due(archive, numbers)
        assert rest == numbers[4:] and len(kept(folder)) == 4
        list(reduce_many.reduce_many(archive, rest, 1))
        assert reduce_many.due(archive, numbers) == []
        archive.refile(3, standard="none")
        assert reduce_many.due(archive, numbers) == [3]
        monkeypatch.setattr(reduce_many, "VERSION", reduce_many.VERSION + 1)
        assert reduce_many.due(archive, numbers) == numbers


def test_a_run_that_cannot_be_reduced_is_named_and_the_others_are_kept(folder):
    with Archive(folder) as archive:
        archive.store_run(sample_run(MANY + 1, seconds=0.2))
        (outcomes,) = reduce_many.reduce_many(archive, range(1, MANY + 2), 1)
        assert [o.number for o in outcomes if o.error] == [MANY + 1]
        with pytest.raises(NotFoundError):
            archive.row(99)
    assert len(kept(folder)) == MANY


def test_runs_reduced_together_get_what_each_gets_alone(folder):
    numbers = list(range(1, MANY + 1))
    with Archive(folder) as archive:
        together = reduce_service.reduce_kept_together(archive, numbers)
        for number, result in zip(numbers, together, strict=True):
            alone = reduce_service.reduce_kept(archive, number)[0]
            assert (result.notes, result.inputs) == (alone.notes, alone.inputs)
            assert vars(result.peak_power_W) == pytest.approx(vars(alone.peak_power_W), rel=1e-9, nan_ok=True)
            assert vars(result.peak_torque_Nm) == pytest.approx(
                vars(alone.peak_torque_Nm), rel=1e-9, nan_ok=True
            )
            assert result.budget == pytest.approx(alone.budget, rel=1e-9, nan_ok=True)


def test_a_run_whose_peaks_cannot_be_found_does_not_take_others_with_it(folder, monkeypatch):
    """No bench gives such numbers; the solver that fails is made to, by the run's mark."""
    solve = reduce_service.finish

    def fails(runs):
        if any(p.run_id == 5 for p in runs):
            raise ArithmeticError("no peak")
        return solve(runs)

    monkeypatch.setattr(reduce_service, "finish", fails)
    with Archive(folder) as archive:
        found = reduce_service.reduce_kept_together(archive, range(1, MANY + 1))
    assert [i for i, result in enumerate(found, 1) if isinstance(result, DamageError)] == [5]
    assert str(found[4]).startswith("run 5 cannot be reduced: its samples contradict each other")
