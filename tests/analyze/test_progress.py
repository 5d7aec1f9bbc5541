"""What a batch says of itself while it runs."""

from pathlib import Path

from analyze.fit.reasons import NO_FIT
from analyze.fit.shot import failed_shot
from analyze.measure.batch import Progress
from analyze.report.progress import Tally


def test_a_line_tells_clips_shots_and_time_left():
    tally = Tally(now_s=100.0)
    failed = failed_shot(Path("1.mp4"), 1, NO_FIT, "")
    assert tally.line(Progress(done=0, total=20), now_s=100.0) == "0 of 20 clips, 0 shots"
    said = tally.line(Progress(done=5, total=20, clip="1.mp4", shots=(failed, failed)), now_s=150.0)
    assert said == "5 of 20 clips, 2 shots (0 measured, 0 doubtful, 2 failed), about 2 min left"
    said = tally.line(Progress(done=20, total=20, clip="2.mp4", shots=(failed,)), now_s=200.0)
    assert said == "20 of 20 clips, 3 shots (0 measured, 0 doubtful, 3 failed)"


def test_plain_lines_come_at_intervals():
    tally = Tally(now_s=0.0)
    step = Progress(done=1, total=9, clip="1.mp4")
    assert [tally.is_due(step, now_s=at) for at in (1.0, 11.0, 12.0, 21.5)] == [False, True, False, True]
