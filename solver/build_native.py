"""Hook of the wheel's build: the native evaluator, compiled for every level of this machine's kind of processor.

Without a C compiler the wheel carries the source alone, which is compiled at its first use, or not at all.
"""

import importlib.util
import sysconfig
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

_FOLDER = "fluxfix/inverse/native"


class NativeHook(BuildHookInterface[Any]):
    """Puts the libraries beside their source in the wheel."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, unless the checkout itself is installed: its source may change."""
        if version == "editable":
            return
        source = Path(self.root) / "solver" / _FOLDER / "compile.py"
        spec = importlib.util.spec_from_file_location("compile_native", source)
        assert spec is not None
        assert spec.loader is not None
        build = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(build)
        self._made = TemporaryDirectory(prefix="fluxfix-wheel-")  # kept until the wheel is written
        for level in build.levels():
            target = Path(self._made.name) / build.name(level)
            wrong = build.compiled(level, target)
            if wrong is not None:
                self.app.display_warning(f"no native evaluator for {level}, since {wrong}")
                continue
            build_data["force_include"][str(target)] = f"{_FOLDER}/{target.name}"
            build_data["pure_python"] = False
            build_data["tag"] = f"py3-none-{sysconfig.get_platform().replace('-', '_').replace('.', '_')}"

    def finalize(self, version: str, _build_data: dict[str, Any], _artifact_path: str) -> None:
        """Remove what was compiled."""
        if version != "editable":
            self._made.cleanup()
