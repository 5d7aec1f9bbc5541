"""Every reason of the three stages why a shot, a mark or a clip was not measured or deserves a look."""

import analyze.fit.reasons
import calibrate.reasons
import tracker.reasons
from calibrate.errors import Reason

REASONS: dict[str, Reason] = {
    reason.slug: reason
    for reason in (*calibrate.reasons.REASONS, *tracker.reasons.REASONS, *analyze.fit.reasons.REASONS)
}
"""Each reason by its slug, as in the `reason` column of `out/shots.csv`."""
