"""Jobs on single frames: masters, measures of a night, cosmic rays, calibrated subs."""

from collections.abc import Sequence
from pathlib import PurePath
from typing import Any

from platefiles.frames.frame import Frame, sections_of
from platefiles.plan.job_text import job_text, part, remembered
from platefiles.plan.project_plan import NO_CALIBRATORS, ProjectPlan
from platefiles.settings.calibration import DarkMaster, FlatMaster, MasterClipping


@remembered
def master_job(plan: ProjectPlan, name: str) -> str:
    """Job of a master bias, dark or flat."""
    group = plan.masters[name]
    frames = [plan.by_id[frame_id] for frame_id in group.frame_ids]
    settings = plan.loaded.recipe.calibration
    used = {"bias": MasterClipping, "dark": DarkMaster, "flat": FlatMaster}[group.kind]
    return job_text(
        plan,
        f"master_{group.kind}",
        {"calibration": part(settings, used)},
        [master_job(plan, other) for other in (group.bias, group.dark) if other],
        project=None,  # projects with the same frames share it
        master=name,
        channel=group.channel,
        night=group.night,
        bias=group.bias,
        dark=group.dark,
        exposure_s=group.exposure_s,
        frames=[
            {
                "id": frame.id,
                "name": frame.name,
                "fingerprint": frame.fingerprint,
                "exposure_s": frame.exposure_s,
                "start_utc": frame.start_utc,
                "egain": frame.egain,
                **sections_of(frame),
            }
            for frame in frames
        ],
    )


@remembered
def measure_stars_job(plan: ProjectPlan, channel: str, night: str) -> str:
    """Job of measuring one channel's night."""
    return measuring_job(plan, channel, night, plan.lights(channel, night))


def measuring_job(plan: ProjectPlan, channel: str, night: str, lights: Sequence[Frame]) -> str:
    """Job of measuring some lights of a channel's night."""
    return job_text(
        plan,
        "measure_stars",
        {"measure": plan.loaded.recipe.measure.model_dump()},
        master_jobs(plan, lights),
        channel=channel,
        night=night,
        camera=camera_facts(plan),
        subs=[sub_facts(plan, frame) for frame in lights],
    )


@remembered
def cosmic_rays_job(plan: ProjectPlan, channel: str, night: str) -> str:
    """Job of finding cosmic rays on each sub of one channel's night."""
    return job_text(
        plan,
        "find_cosmic_rays",
        {},
        [measure_stars_job(plan, channel, night)],
        channel=channel,
        night=night,
        camera=camera_facts(plan),
        subs=[sub_facts(plan, frame) for frame in plan.lights(channel, night)],
    )


def cosmic_rays_jobs(plan: ProjectPlan, frames: Sequence[Frame]) -> list[str]:
    """Jobs of the files that `ProjectPlan.rays_of` names."""
    return [cosmic_rays_job(plan, *night) for night in plan.cleaned_nights(frames)]


@remembered
def calibrate_job(plan: ProjectPlan, sub_id: str) -> str:
    """Job of writing one calibrated sub."""
    frame = plan.by_id[sub_id]
    below = master_jobs(plan, [frame]) + cosmic_rays_jobs(plan, [frame])
    return job_text(
        plan,
        "calibrate_sub",
        {},
        below,
        channel=frame.channel,
        camera=camera_facts(plan),
        sub=sub_facts(plan, frame),
    )


def master_jobs(plan: ProjectPlan, frames: Sequence[Frame]) -> list[str]:
    """Jobs of every master that corrects these lights."""
    return [master_job(plan, PurePath(path).stem) for path in plan.masters_of(frames)]


def sub_facts(plan: ProjectPlan, frame: Frame) -> dict[str, Any]:
    """The facts of a sub for a job."""
    taken = plan.matched.lights.get(frame.id, NO_CALIBRATORS)
    return {
        "id": frame.id,
        "name": frame.name,
        "night": frame.night,
        "fingerprint": frame.fingerprint,
        "setting": frame.setting,
        "exposure_s": frame.exposure_s,
        "start_utc": frame.start_utc,
        "egain": None if plan.loaded.project.calibrated else frame.egain,
        "bias": taken.bias,
        "dark": taken.dark,
        "flat": taken.flat,
        "dark_scale": taken.dark_scale,
        "pedestal": frame.pedestal,
        **sections_of(frame),
    }


def camera_facts(plan: ProjectPlan) -> dict[str, Any]:
    """Return the camera of the equipment file; nothing for calibrated frames."""
    if plan.loaded.project.calibrated:
        return {"calibrated": True}
    keys = ("gain_e_per_adu", "read_noise_e", "saturation_adu")
    return {key: getattr(plan.loaded.equipment, key) for key in keys}
