"""The same work on an existing cluster: jobs and shots travel to workers of another process and back."""

import pytest
from typer.testing import CliRunner

from analyze.cli import app
from analyze.measure.clip import ClipJob, measure_clip
from analyze.measure.cluster import cluster_executor
from analyze.measure.pool import measured_jobs
from calibrate.errors import SessionError

distributed = pytest.importorskip("distributed", reason="distributed is not installed: no cluster")
LOCAL = {"processes": False, "protocol": "tcp://", "host": "127.0.0.1", "dashboard_address": None}
# What a cluster warns of when it is shut down is no matter of ours.
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture(scope="module")
def cluster():
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, **LOCAL) as local:
        yield local


def test_recordings_are_measured_on_the_workers(cluster, tmp_path):
    """Two files that are no recordings: each comes back as a failed shot with its own name."""
    paths = [tmp_path / f"{k}.mp4" for k in range(2)]
    for path in paths:
        path.write_text("this is no video\n" * 50)
    jobs = [ClipJob(clip=path.name, path=path, places=(), capture_fps=None, readout=None) for path in paths]
    with cluster_executor(cluster.scheduler_address) as executor:
        found = {job.clip: shots for job, shots in measured_jobs(jobs, measure_clip, executor=executor)}
    assert sorted(found) == ["0.mp4", "1.mp4"]
    for name, (shot,) in found.items():
        assert shot.reason.slug == "clip-damaged"
        assert shot.clip == tmp_path / name
        assert "not a video that can be read" in shot.detail


def test_a_cluster_without_workers_is_said_in_one_line():
    with (
        distributed.LocalCluster(n_workers=0, **LOCAL) as empty,
        pytest.raises(SessionError, match="has no worker; start one"),
        cluster_executor(empty.scheduler_address),
    ):
        pass


def test_a_scheduler_that_does_not_answer_ends_the_command_with_one_line(monkeypatch, tmp_path):
    monkeypatch.setattr("analyze.measure.cluster._ANSWERS_WITHIN_S", 1)
    folder = tmp_path / "test"
    assert CliRunner().invoke(app, ["new", str(folder)]).exit_code == 0
    result = CliRunner().invoke(app, ["measure", str(folder), "--scheduler", "tcp://127.0.0.1:9"])
    assert result.exit_code == 2
    assert "no scheduler answers at tcp://127.0.0.1:9" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
