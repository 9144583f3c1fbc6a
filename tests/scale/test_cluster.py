"""Parts read by other machines; here, two worker processes of a local cluster."""

import os
import signal
import threading
import time

import numpy as np
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.scale import from_parquet

pytestmark = pytest.mark.slow

distributed = pytest.importorskip("distributed")


@pytest.fixture
def cluster():
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        memory_limit=0,
    ) as found:
        yield found


def test_a_scheduler_is_the_only_difference(cluster, folder, whole):
    for scheduler in (cluster.scheduler_address, distributed.Client(cluster)):
        log = from_parquet(folder, scheduler=scheduler)
        model = sw.TightnessModel(outcome="value", draws=200).fit(log)
        np.testing.assert_allclose(
            model.curves([0.2, 0.6])["gain"], whole["value"].curves([0.2, 0.6])["gain"], atol=1e-8
        )
        for choice, curve in model.curves_.items():
            np.testing.assert_allclose(
                curve.draws.common,
                whole["value"].curves_[choice].draws.common,
                rtol=1e-6,
                atol=1e-8,
            )


@pytest.mark.slow
def test_a_worker_that_is_killed_loses_nothing(cluster, folder, shots):
    def count(table):
        time.sleep(0.3)  # so that there is time to kill a worker in the middle
        return os.getpid(), len(table)

    log = from_parquet(folder, scheduler=cluster.scheduler_address)
    found = []
    for answer in log.each(count):
        found.append(answer)
        if len(found) == 2:
            os.kill(answer[0], signal.SIGKILL)
    assert sum(n for _, n in found) == len(shots)
    assert [n for _, n in found] == [len(log.read(k)) for k in range(len(log.files))]


def not_on_the_workers(table):
    return len(table)


def test_what_a_worker_cannot_load_is_said(cluster, folder):
    log = from_parquet(folder, scheduler=cluster.scheduler_address)
    with pytest.raises(DataError, match="a worker cannot load"):
        list(log.each(not_on_the_workers))


@pytest.mark.slow
def test_a_fit_survives_a_killed_worker(cluster, folder, whole):
    client = distributed.Client(cluster)
    log = from_parquet(folder, scheduler=client)
    victim = next(iter(client.run(os.getpid).values()))
    killed = threading.Event()

    def kill_when_the_first_parts_are_done():
        while not killed.is_set():
            done = client.run_on_scheduler(
                lambda dask_scheduler: sum(
                    task.state == "memory" for task in dask_scheduler.tasks.values()
                )
            )
            if done >= 2:
                os.kill(victim, signal.SIGKILL)
                killed.set()
            time.sleep(0.01)

    watcher = threading.Thread(target=kill_when_the_first_parts_are_done)
    watcher.start()
    try:
        model = sw.TightnessModel(outcome="value", draws=200).fit(log)
    finally:
        late = not killed.is_set()
        killed.set()
        watcher.join()
    assert not late, "the fit was over before a worker could be killed"
    np.testing.assert_allclose(
        model.curves([0.2, 0.6])["gain"], whole["value"].curves([0.2, 0.6])["gain"], atol=1e-8
    )
    client.close()
