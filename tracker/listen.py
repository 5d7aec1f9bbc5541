"""Listen to a recording about one shot."""

from tracker.clip import ClipInfo
from tracker.heard import ASIDE_S, HeardSound
from tracker.onsets import find_onsets
from tracker.slowed import TIMES, slowed_less_than
from tracker.sound import read_sound

# Rough times of strike and contact, and the way of the sound, are good to this.
_ROUGH_S = 0.1
# What is heard before tells the noise.
_LEAD_S = 0.15
# Sound that is shorter than the picture by one of `TIMES`, to so much of it, was not slowed down with it.
_SHORTER_WITHIN = 0.1


def hear(info: ClipInfo, *, strike_s: float, contact_s: float, slowdown: float) -> HeardSound | None:
    """Listen to a recording from before the strike of a shot to after its contact with the cushion.

    Parameters
    ----------
    info : ClipInfo
        Of the recording.
    strike_s, contact_s : float
        Roughly, on the clip's clock.
    slowdown : float
        Seconds of the clip's clock for one of the file as it plays.

    Returns
    -------
    HeardSound or None
        None where there is no sound.
    """
    if not info.sound_s:
        return None
    share = _shorter(info)
    clock_s_per_s = slowdown * share
    # Sound that is shorter than the picture begins with it.
    begins_s = info.first_s * (1 - 1 / share)
    aside_s = ASIDE_S + _ROUGH_S
    from_s = begins_s + strike_s / clock_s_per_s - aside_s
    until_s = begins_s + contact_s / clock_s_per_s + aside_s
    sound = read_sound(info.path, from_s=from_s - _LEAD_S, until_s=until_s)
    if sound is None:
        return None
    onsets = find_onsets(sound)
    return HeardSound(
        times_s=onsets.times_s,
        sds_s=onsets.sds_s,
        strengths_db=onsets.strengths_db,
        from_s=max(from_s, sound.first_s),
        until_s=min(until_s, sound.first_s + len(sound.samples) / sound.rate_hz),
        slowed_less_than=slowed_less_than(sound),
        clock_s_per_s=clock_s_per_s,
        begins_s=begins_s,
    )


def _shorter(info: ClipInfo) -> float:
    """How many times shorter than the picture the sound is; 1 where both last alike, or are of no such ratio."""
    if not info.sound_s or not info.frame_rate:
        return 1.0
    ratio = (info.last_s - info.first_s + 1 / info.frame_rate) / info.sound_s
    return next((times for times in TIMES if abs(ratio / times - 1) < _SHORTER_WITHIN), 1.0)
