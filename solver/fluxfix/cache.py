"""Where compiled functions are kept between runs, so that only a machine's first run waits for the compiler."""

import hashlib
import os
import platform
from pathlib import Path
from typing import Any

SWITCH = "FLUXFIX_CACHE"
"""Environment variable: a folder to use instead of the default one, or `off`."""


def folder() -> Path | None:
    """The user's folder for this machine and this version of the compiler; None where caching is switched off."""
    chosen = os.environ.get(SWITCH, "")
    if chosen.lower() == "off":
        return None
    home = Path(chosen) if chosen else Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "fluxfix"
    from importlib.metadata import version

    # Compiled code of another processor or compiler must never be loaded.
    return home / f"jax-{version('jaxlib')}-{_processor()}"


def use() -> None:
    """Let JAX keep what it compiles, unless the user has set JAX's own cache folder."""
    import jax

    settings: Any = jax.config
    if settings.jax_compilation_cache_dir is not None:
        return
    chosen = folder()
    if chosen is None:
        return
    settings.update("jax_compilation_cache_dir", str(chosen))
    settings.update("jax_persistent_cache_min_compile_time_secs", 0.05)
    settings.update("jax_persistent_cache_min_entry_size_bytes", -1)
    settings.update("jax_raise_persistent_cache_errors", False)


def _processor() -> str:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
        flags = next((line for line in text.splitlines() if line.startswith(("flags", "Features"))), "")
    except OSError:
        flags = ""
    return hashlib.sha256(f"{platform.machine()} {platform.processor()} {flags}".encode()).hexdigest()[:12]
