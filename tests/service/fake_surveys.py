"""A survey without physics: every number differs from the others, so that none can be taken for another."""

from typing import Any

import numpy as np

from fluxfix.study import survey as found

VERDICTS = ("told apart", "not told apart", "not proven")


def fake_survey(rig: Any, resolutions: Any, box_pairs: int | None, seconds: float | None) -> found.Survey:
    """Make a survey; the budgets come back as numbers of pairs, the verdict is the one of `seconds` modulo 3.

    A rig whose joints are all angles has a separation by angle.
    """
    d, n = len(rig.joints), 5
    column = iter(np.random.default_rng(4).uniform(1.0, 2.0, (8, n, d)))
    angles = all(joint.unit == "deg" for joint in rig.joints)
    return found.Survey(
        rig=rig.name,
        calibrated=rig.calibrated,
        joints=tuple(
            found.JointSurvey(
                joint.name, joint.unit, resolutions.get(joint.name, -1.0), k + 0.1, k + 0.2, (0.3,), k + 0.4, (0.5,)
            )
            for k, joint in enumerate(rig.joints)
        ),
        values=tuple(
            found.ValueSurvey(name, k - 0.1, k + 0.1, k + 0.2, (0.6, 0.7)) for k, name in enumerate(rig.columns)
        ),
        condition_worst=np.inf,
        condition_worst_at=(0.8, 0.9),
        strength="1 % would shift it",
        separation=found.Separation(
            verdict=VERDICTS[int(seconds or 0) % 3],
            sd=found.Minimum("sd", 12.5, 11.5, (1.1, 1.2), (1.3, 1.4), box_pairs or -1),
            mT=found.Minimum("mT", 2.5, 1.5, (2.1, 2.2), (2.3, 2.4), 7),
            per_deg=found.Minimum("mT/deg", 3.5, 3.25, (3.1, 3.2), (3.3, 3.4), 2**40) if angles else None,
            degrees=(9, 11),
            error_sd=0.01,
        ),
        places=found.Places(
            positions=next(column),
            sd=next(column),
            range_share=next(column)[:, 0],
            condition=next(column)[:, 0],
            strength_shift=next(column),
            separation_sd=next(column)[:, 0],
        ),
        notes=("saturates", "at one temperature"),
    )
