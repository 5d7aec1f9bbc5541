"""How cue and hand of a clip look: shaft, butt, sleeve, a stroke that swerves, a second stick lying about."""

from dataclasses import dataclass

Colour = tuple[float, float, float]
CHALKED: Colour = (0.05, 0.12, 0.22)
IVORY: Colour = (0.72, 0.70, 0.64)
MAPLE: Colour = (0.46, 0.33, 0.17)
EBONY: Colour = (0.030, 0.022, 0.018)
CARBON: Colour = (0.020, 0.020, 0.022)
LINEN: Colour = (0.32, 0.31, 0.28)
SKIN: Colour = (0.40, 0.22, 0.14)
SHIRT: Colour = (0.035, 0.035, 0.050)
WHITE_SLEEVE: Colour = (0.62, 0.62, 0.60)
RING_M = 0.008
SHADE_M = (0.035, 0.09)  # of the hand's shadow along the cue: before and behind the bridge


@dataclass(frozen=True, slots=True, kw_only=True)
class CueLook:
    """Cue and hand of one clip.

    Attributes
    ----------
    shaft, ferrule : tuple of float
        Linear colours.
    wrapped : bool
        Whether linen is wound about the butt where it is gripped.
    sleeve : tuple of float
        Colour of the sleeve.
    sleeve_m : float
        How far in front of where it usually ends the sleeve reaches, towards the bridge hand.
    swerve_m_s : float
        How fast the tip goes sideways at the strike, to the right; the cue turns about the bridge hand.
    stick : bool
        Whether a second stick lies on the cloth behind the ball, beside the cue.
    """

    shaft: Colour = MAPLE
    ferrule: Colour = IVORY
    wrapped: bool = False
    sleeve: Colour = SHIRT
    sleeve_m: float = 0.0
    swerve_m_s: float = 0.0
    stick: bool = False

    @property
    def parts(self) -> tuple[tuple[float, Colour], ...]:
        """Along the cue from the tip's end: up to where (m), colour."""
        butt = (0.045, 0.020, 0.016)
        wrap = ((0.98, butt), (1.28, LINEN)) if self.wrapped else ()
        return (
            (0.006, CHALKED),
            (0.030, self.ferrule),
            (0.740, self.shaft),
            (0.760, (0.60, 0.58, 0.52)),
            *wrap,
            (1.480, butt),
        )

    @property
    def sheen(self) -> float:
        """Light of the line along the cue in which it mirrors a tube lamp."""
        return 0.0

    def parts_at(self, bridge_m: float) -> tuple[tuple[float, Colour], ...]:
        """Give the parts as they look while the bridge hand is so far from the tip's end."""
        del bridge_m
        return self.parts


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedCue(CueLook):
    """A cue with rings about its shaft, a lacquered one, or one upon which the bridge hand throws its shadow.

    Attributes
    ----------
    rings_m : tuple of float
        Where rings of `RING_M` begin, from the tip's end.
    ring : tuple of float
        Their colour.
    hand_shadow : float
        Part of the light that the hand's shadow leaves on the shaft, over `SHADE_M` about the bridge.
    lacquer : float
        What `sheen` is: 1 is as bright as white paper under the lamps.
    """

    rings_m: tuple[float, ...] = ()
    ring: Colour = EBONY
    hand_shadow: float = 1.0
    lacquer: float = 0.0

    @property
    def sheen(self) -> float:
        """Light of the line along the cue in which it mirrors a tube lamp."""
        return self.lacquer

    def parts_at(self, bridge_m: float) -> tuple[tuple[float, Colour], ...]:
        """Give the parts as they look while the bridge hand is so far from the tip's end."""
        shade = (bridge_m - SHADE_M[0], bridge_m + SHADE_M[1])
        ends = sorted(
            {
                *(end for end, _ in self.parts),
                *(ring + more for ring in self.rings_m for more in (0.0, RING_M)),
                *shade,
            }
        )
        start_m, found = -1.0, []
        for end_m in ends:
            middle_m = (max(start_m, 0.0) + end_m) / 2
            colour = next((part for end, part in self.parts if middle_m <= end), self.parts[-1][1])
            if any(ring <= middle_m <= ring + RING_M for ring in self.rings_m):
                colour = self.ring
            if shade[0] <= middle_m <= shade[1]:
                colour = (colour[0] * self.hand_shadow, colour[1] * self.hand_shadow, colour[2] * self.hand_shadow)
            found.append((end_m, colour))
            start_m = end_m
        return tuple(found)
