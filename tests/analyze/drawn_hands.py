"""Tables of shots by hands of known habits: squirt by the rigid impulse, solved for each shot as two equations."""

import numpy as np
import pandas as pd

R_MM = 28.575


def impulse_squirt_deg(contact_mm, mass_ratio):
    """Solve the impulse system of a rigid ball and a free end mass in x (right) and y (along the cue).

    m = 1, I = (2/5) R^2, J_y = 1: the contact point moves across the cue as the end mass does.
    """
    b, a = contact_mm / R_MM, np.sqrt(1 - (contact_mm / R_MM) ** 2)
    # contact at (b, -a); spin w = (b J_y + a J_x) / I; its sideways velocity v_x + a w = -J_x mass_ratio
    jx = -(2.5 * a * b) / (1 + mass_ratio + 2.5 * a * a)
    return np.degrees(np.arctan(jx))


def drawn(  # noqa: PLR0913 - one argument a habit
    rng,
    *,
    n=400,
    ratios=(30.0, 24.0),
    offsets=(14.0, 14.0),
    aim_sd=0.35,
    contact_sd=1.2,
    measured_sd=0.3,
    shared_mm=0.0,
    hand_mm=0.5,
    controls=None,
    speeds=(2.5, 2.5),
):
    """Shots with these habits: conditions A and B of two end masses, controls in the middle.

    All contacts are seen `shared_mm` too far out for each 14 mm, as by a wrong dome.
    """
    frames = []
    cases = [("A", "test", offsets[0], ratios[0], speeds[0]), ("B", "test", offsets[1], ratios[1], speeds[1])]
    for condition, role, offset, ratio, speed in (*cases, ("C", "control", 0.0, ratios[0], 2.5)):
        k = (controls or n) if role == "control" else n
        aim, contact = rng.normal(0.1, aim_sd, k), offset + hand_mm + rng.normal(0, contact_sd, k)
        zero = impulse_squirt_deg(hand_mm, ratios[0])
        squirt = impulse_squirt_deg(contact, ratio) - zero
        launch_speed = rng.normal(speed, 0.2, k)
        degree_mm = 1870 * np.tan(np.radians(1))
        frames.append(
            pd.DataFrame(
                {
                    "condition": condition,
                    "role": role,
                    "shooter": "S1",
                    "kept": True,
                    "tip_offset_mm": offset,
                    "cue_deg": aim + rng.normal(0, 0.05, k),
                    "cue_own_sd_deg": 0.05,
                    "tip_side_mm": contact * (1 + shared_mm / 14) + rng.normal(0, measured_sd, k),
                    "tip_side_sd_mm": np.hypot(measured_sd, 0.7 * abs(offset) / 14),
                    "tip_side_own_sd_mm": measured_sd,
                    "cue_slope_deg": np.nan,
                    "cue_slope_sd_deg": np.nan,
                    "cue_speed_m_s": rng.normal(2.5, 0.2, k),
                    "cue_speed_sd_m_s": 0.1,
                    "cue_sideways_m_s": rng.normal(0.02, 0.015, k),
                    "cue_sideways_sd_m_s": 0.005,
                    "launch_speed_m_s": launch_speed,
                    "launch_speed_sd_m_s": 0.02,
                    "squirt_deg": squirt + aim,
                    "squirt_sd_deg": 0.03,
                    "squirt_cue_deg": squirt + rng.normal(0, 0.05, k),
                    "squirt_cue_sd_deg": 0.06,
                    "squirt_cue_own_sd_deg": 0.05,
                    "reading_mm": degree_mm * (aim + squirt) + 8 * (launch_speed - 2.5) + rng.normal(0, 1.5, k),
                    "reading_sd_mm": 0.3,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)
