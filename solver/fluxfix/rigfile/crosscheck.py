"""What must agree between the tables of a rig file."""

from collections.abc import Iterator
from itertools import chain

from fluxfix.rigfile.basic import FRAME
from fluxfix.rigfile.materials import REFERENCE_C, materials
from fluxfix.rigfile.messages import label, near_miss
from fluxfix.rigfile.model import ADDRESS, RigFile


def problems(rig: RigFile) -> list[str]:
    """Find what does not fit together, a sentence each, in the order of the file."""
    checks = (
        _counts(rig),
        _names(rig),
        _materials(rig),
        _temperatures(rig),
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
        if joint.follows is None or joint.follows.joint in free:
            continue
        where, target = f"{label('joint', index, joint.name)}: follows: joint", joint.follows.joint
        if target in by_name:
            yield f'{where}: got "{target}", which follows another joint itself, needs one with a position of its own'
        else:
            choice = (
                ", ".join(f'"{name}"' for name in free) or "a joint, and this rig has none with a position of its own"
            )
            yield f'{where}: got "{target}", needs one of {choice}{near_miss(target, free)}'


def _limits(rig: RigFile) -> Iterator[str]:
    free = [joint.name for joint in rig.solved_joints]
    for name in rig.limits.position_sd:
        if name not in free:
            choice = ", ".join(f'"{item}"' for item in free) or "none, since the rig has no joint"
            yield f'[limits]: position_sd: got the joint "{name}", allowed are {choice}{near_miss(name, free)}'


def _addresses(rig: RigFile) -> Iterator[str]:
    for address in rig.calibration.parameters if rig.calibration else ():
        parts = ADDRESS.fullmatch(address)
        if parts and all(item.name != parts["name"] for item in getattr(rig, parts["table"])):
            yield (
                f'[calibration]: parameters: got "{address}", but the rig has no {parts["table"]} "{parts["name"]}": '
                "remove the table [calibration] and calibrate again"
            )
            return
