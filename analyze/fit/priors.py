"""What is known before a shot is seen: of the motion, and of the errors in locating the ball."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionPriors:
    """What is known of a ball's motion, as means and standard deviations of Gaussian priors.

    Attributes
    ----------
    mu_s, log_mu_s_sd : float
        Sliding friction of ball on cloth; 0.2 is typical and 0.15 to 0.4 occur: Marlow 1995, Mathavan et al. 2009,
        both from memory. The logarithm is given the spread, so 0.11 to 0.36 is within two standard deviations.
    mu_r, log_mu_r_sd : float
        Rolling resistance; 0.005 to 0.015, typically 0.01: same sources, from memory.
    side_slip_sd : float
        Slip to the side over launch speed, (5/2)(b/R) tan(theta): 0.1 is a tip half a radius off centre under a cue
        raised by 4.6 degrees.
    forward_slip, forward_slip_sd : float
        Slip forward over launch speed, 1 - (5/2)(h/R)/cos(theta): 1 for a stun shot, 0 for a ball that rolls
        from the start, 2 for full draw.
    pull_m_s2, pull_sd_m_s2 : float
        What a table out of level and the nap of its cloth pull a rolling ball to the right; see `analyze.fit.pull`.
        The standard deviation is that of a table out of level by 1 mm/m (chosen): a slate is laid flat to 0.25 mm
        in 1.27 m across (WPA specification, 2001: 0.010 in), but few tables have been levelled of late.
    """

    mu_s: float = 0.2
    log_mu_s_sd: float = 0.3
    mu_r: float = 0.010
    log_mu_r_sd: float = 0.3
    side_slip_sd: float = 0.1
    forward_slip: float = 1.0
    forward_slip_sd: float = 1.0
    pull_m_s2: float = 0.0
    pull_sd_m_s2: float = 0.007


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPriors:
    """What is known of the errors in locating the ball.

    Attributes
    ----------
    ball_level_px, ball_upright_px : float
        Standard uncertainty of a location error that all frames of a shot share, sideways and up or down as the
        camera sees the table: the one allowance for what no residual of a shot shows. Light falls from above, so
        what the ball's image model lacks (lamps and cloth mirrored in it, its shadow) is nearly even to both sides,
        and not from top to bottom: against the truth of 22 clips of two renderers the mean error was 0.03 px
        sideways (root mean square; 0.06 at most over a set of `tests/benchmarks/rendered_clips.py`), and 0.05 to
        0.5 px up and down where that is along the path and so of little weight; clips seen from beside the table,
        where it is across, had 0.1 to 0.2 px.
    speed_share_sd : float
        Standard uncertainty of speeds, relative, for what the model of the picture lacks: a phone's noise reduction
        and tone mapping dim the ball's trailing edge ever more, so that it is seen ever farther behind. On three
        clips with both, by a renderer of other make, launch speeds came out 0.26 to 0.30 % low; on 23 clips
        without, 0.14 % off (root mean square, 0.24 % at most).
    noise_dof : float
        How firmly the tracker's covariances are believed, in degrees of freedom: the residuals of a shot move the
        scale of the noise in proportion to their own number. Over 15 clips of two renderers the variance seen was
        0.05 to 0.63 of the one stated: about as wide as chi-square with four degrees of freedom.
    least_drift : float
        The drift of the sightings is never taken as smaller than this share of what the tracker states, whatever
        the residuals: a slow error that a path can follow leaves none. Against the truth of ten clips of other
        make, errors across the path had a slope of 0.05 px and a bend of 0.035 px (root mean square, ends of the
        lane to its middle), which is what a drift of 0.05 px and 0.07 s leaves.
    least_noise : float
        The scale of noise and drift together never falls below this; where the scatter of a path says that one of
        them is smaller, `analyze.fit.noise_seen` finds by how much.
    """

    ball_level_px: float = 0.06
    ball_upright_px: float = 0.15
    speed_share_sd: float = 0.002
    noise_dof: float = 4.0
    least_drift: float = 0.5
    least_noise: float = 1.0

    @property
    def ball_bias_px(self) -> tuple[float, float]:
        """Sideways and upright."""
        return self.ball_level_px, self.ball_upright_px
