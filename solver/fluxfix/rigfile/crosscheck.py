"""What must agree between the tables of a rig file."""

from collections.abc import Iterator
from itertools import chain

from fluxfix.rigfile.basic import FRAME
from fluxfix.rigfile.joints import Joint
from fluxfix.rigfile.materials import REFERENCE_C, materials
from fluxfix.rigfile.messages import label, near_miss
from fluxfix.rigfile.model import ADDRESS, RigFile
from fluxfix.rigfile.sensors import GAIN_REFERENCE_C


def problems(rig: RigFile) -> list[str]:
    """Find what does not fit together, a sentence each, in the order of the file."""
    checks = (
        _counts(rig),
        _names(rig),
        _materials(rig),
        _temperatures(rig),
        _coefficients(rig),
        _gains(rig),
        _rides(rig),
        _circles(rig),
        _gears(rig),
        _limits(rig),
        _addresses(rig),
    )
    return list(chain.from_iterable(checks))


def _counts(rig: RigFile) -> Iterator[str]:
    if not rig.sensor:
        yield "no [[sensor]], needs at least one"
    if rig.joint and not rig.magnet:
        yield "no [[magnet]], needs at least one, since the rig has joints"


def _names(rig: RigFile) -> Iterator[str]:
    for table in ("magnet", "sensor", "joint", "plate"):
        seen: set[str] = set()
        for index, item in enumerate(getattr(rig, table)):
            if item.name in seen:
                yield f'[[{table}]] number {index + 1}: name: got "{item.name}" a second time, needs a name of its own'
            if item.name is not None:
                seen.add(item.name)


def _materials(rig: RigFile) -> Iterator[str]:
    for index, magnet in enumerate(rig.magnet):
        if magnet.material is not None and magnet.material not in materials():
            choice = ", ".join(f'"{name}"' for name in materials())
            yield (
                f'{label("magnet", index, magnet.name)}: material: got "{magnet.material}", needs one of {choice}, or '
                f"none, and the numbers of its sheet instead{near_miss(magnet.material, materials())}"
            )


def _temperatures(rig: RigFile) -> Iterator[str]:
    for index, magnet in enumerate(rig.magnet):
        if magnet.material is not None and magnet.material not in materials():
            continue
        for temperature_C in rig.surroundings.temperature_C or ():
            if 1.0 + magnet.magnetic.remanence_per_K * (temperature_C - REFERENCE_C) <= 0.0:
                yield (
                    f"{label('magnet', index, magnet.name)}: at {temperature_C:g} °C its coefficient of "
                    f"{magnet.magnetic.remanence_per_K:g} per K leaves no remanence, needs a smaller coefficient or a "
                    "narrower [surroundings] temperature_C"
                )
                break


def _gains(rig: RigFile) -> Iterator[str]:
    for index, sensor in enumerate(rig.sensor):
        per_K = sensor.temperature_coefficient_per_K
        for temperature_C in rig.surroundings.temperature_C or ():
            if 1.0 + per_K * (temperature_C - GAIN_REFERENCE_C) <= 0.0:
                yield (
                    f"{label('sensor', index, sensor.name)}: at {temperature_C:g} °C its temperature_coefficient_per_K "
                    f"of {per_K:g} leaves no gain, needs a smaller coefficient (0.05 % per K is 0.0005) or a narrower "
                    "[surroundings] temperature_C"
                )
                break


def _coefficients(rig: RigFile) -> Iterator[str]:
    key = "remanence_temperature_coefficient_per_K"
    if getattr(rig.tolerance, key).sd > 0.0 and rig.surroundings.temperature_C is None:
        yield (
            f"[tolerance]: {key}: needs [surroundings] temperature_C = [lowest, highest] beside it, since without it "
            "magnets are computed at 20 °C, where the coefficient has no effect"
        )


def _rides(rig: RigFile) -> Iterator[str]:
    names = [joint.name for joint in rig.joint]
    for table in ("magnet", "sensor", "joint"):
        for index, item in enumerate(getattr(rig, table)):
            if item.rides not in (FRAME, *names):
                choice = ", ".join(f'"{name}"' for name in (FRAME, *names))
                yield (
                    f'{label(table, index, item.name)}: rides: got "{item.rides}", needs one of {choice}'
                    f"{near_miss(item.rides, (FRAME, *names))}"
                )


def _circles(rig: RigFile) -> Iterator[str]:
    carriers = {joint.name: joint.rides for joint in rig.joint}
    reported: set[str] = set()
    for index, joint in enumerate(rig.joint):
        chain_of = [joint.name]
        while (carrier := carriers.get(chain_of[-1], FRAME)) not in (FRAME, *chain_of):
            chain_of.append(carrier)
        if carrier == joint.name and joint.name not in reported:
            reported.update(chain_of)
            way = " on ".join([*chain_of, joint.name])
            where = label("joint", index, joint.name)
            yield f"{where}: rides in a circle ({way}), needs a chain that ends at the frame"


def _gears(rig: RigFile) -> Iterator[str]:
    by_name = {joint.name: joint for joint in rig.joint}
    free = [joint.name for joint in rig.solved_joints]
    for index, joint in enumerate(rig.joint):
        if joint.follows is None:
            continue
        if joint.follows.joint in free:
            yield from _after_a_turn(label("joint", index, joint.name), joint, by_name[joint.follows.joint])
            continue
        where, target = f"{label('joint', index, joint.name)}: follows: joint", joint.follows.joint
        if target in by_name:
            yield f'{where}: got "{target}", which follows another joint itself, needs one with a position of its own'
        else:
            choice = (
                ", ".join(f'"{name}"' for name in free) or "a joint, and this rig has none with a position of its own"
            )
            yield f'{where}: got "{target}", needs one of {choice}{near_miss(target, free)}'


def _after_a_turn(where: str, joint: Joint, leader: Joint) -> Iterator[str]:
    """A joint that makes a full turn must find the rig as it was: what it gears has turned fully, too."""
    if leader.wraps and joint.follows and (joint.kind != "revolute" or not joint.follows.ratio.is_integer()):
        allowed = "a whole number" if joint.kind == "revolute" else "a revolute one"
        yield (
            f'{where}: follows: got a {joint.kind} joint with ratio = {joint.follows.ratio:g} of "{leader.name}", '
            f"which wraps: after its full turn it would stand elsewhere, needs {allowed}, or the other without wraps "
            "and with all of its turns in range_deg"
        )


def _limits(rig: RigFile) -> Iterator[str]:
    free = [joint.name for joint in rig.solved_joints]
    for name in rig.limits.position_sd:
        if name not in free:
            choice = ", ".join(f'"{item}"' for item in free) or "none, since the rig has no joint"
            yield f'[limits]: position_sd: got the joint "{name}", allowed are {choice}{near_miss(name, free)}'


def _addresses(rig: RigFile) -> Iterator[str]:
    for address in rig.calibration.parameters if rig.calibration else ():
        parts = ADDRESS.fullmatch(address)
        if parts and parts["table"] and all(item.name != parts["name"] for item in getattr(rig, parts["table"])):
            yield (
                f'[calibration]: parameters: got "{address}", but the rig has no {parts["table"]} "{parts["name"]}": '
                "remove the table [calibration] and calibrate again"
            )
            return
    yield from _correction(rig)


def _correction(rig: RigFile) -> Iterator[str]:
    """A correction of position has one digit and one row of its box for each joint with a position."""
    stated = rig.calibration
    if stated is None:
        return
    names = [joint.name for joint in rig.solved_joints]
    used = [one for one in (address.split(".") for address in stated.parameters) if one[2:3] == ["correction"]]
    wrong = [parts for parts in used if parts[1] not in names or not _is_product(parts[-1], rig)]
    box = stated.correction_box or ()
    again = "remove the table [calibration] and calibrate again"
    if wrong:
        yield (
            f'[calibration]: parameters: got "{".".join(wrong[0])}", needs {len(names)} digits of low order, one '
            f"for each joint with a position: {again}"
        )
    elif used and (len(box) != len(names) or any(low >= high for low, high in box)):
        yield f"[calibration]: correction_box: needs {len(names)} pairs [lowest, highest] that rise: {again}"


def _is_product(text: str, rig: RigFile) -> bool:
    """Whether digits name a product of waves that a correction of position may have (orders 1 to 4)."""
    joints = rig.solved_joints
    if not text.isdecimal() or len(text) != len(joints):
        return False
    order = sum(-(-int(digit) // 2) if joint.wraps else int(digit) for digit, joint in zip(text, joints, strict=True))
    return 1 <= order <= 4
