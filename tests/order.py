"""In which order pytest-xdist's processes get the files of tests: no loop compiled twice, no long file last.

The names are a matter of time alone: a file that is not named is run all the same.
"""

from __future__ import annotations

from typing import Any

from xdist.scheduler import LoadFileScheduling

# These compile nearly every loop. In one process, loops are compiled once and others load them from disk; in
# two at a time each would be compiled twice.
COMPILING = (
    "tests/compute/test_loops_as_python.py",
    "tests/operators/test_laws.py",
    "tests/operators/test_limits.py",
    "tests/presets/test_every_key.py",
)
# What others do meanwhile, a minute and more: of few loops, the longest first.
MEANWHILE = (
    "tests/matching/test_round_trip.py",
    "tests/reference/test_matching_reference.py",
    "tests/physics/water/test_bands.py",
    "tests/reference/test_flash_reference.py",
    "tests/matching/test_model.py",
    "tests/presets/test_schema.py",
    "tests/reference/test_radiance_reference.py",
    "tests/reference/test_transport_reference.py",
    "tests/reference/test_squares_reference.py",
    "tests/presets/test_remarks.py",
    "tests/matching/test_remove.py",
)
# What else takes several seconds: else one process begins with it when the other has nothing left to do.
LONG = (
    "tests/reference/test_lamp_shadows_on_things_reference.py",
    "tests/presets/test_working_space.py",
    "tests/presets/test_night.py",
    "tests/presets/test_preset.py",
    "tests/test_notebook.py",
    "tests/batch/test_workers.py",
    "tests/operators/test_suspended_matter.py",
    "tests/cli/test_apply.py",
    "tests/batch/test_resume.py",
    "tests/test_documentation.py",
    "tests/tuning/test_line.py",
    "tests/tuning/test_page.py",
    "tests/tuning/test_reference.py",
    "tests/cli/test_cache.py",
    "tests/batch/test_distributed.py",
    "tests/cli/test_look_development.py",
    "tests/cli/test_demo.py",
    "tests/batch/test_memory_budget.py",
    "tests/batch/test_damaged_inputs.py",
    "tests/batch/test_run.py",
    "tests/batch/test_output.py",
    "tests/operators/shared/test_surface_light.py",
    "tests/operators/test_lamps_in_motion.py",
    "tests/review/test_checks.py",
    "tests/physics/floating/test_field.py",
    "tests/compute/test_compiled.py",
    "tests/physics/floating/test_turbid.py",
    "tests/cli/test_farm_commands.py",
    "tests/batch/test_open_job.py",
    "tests/batch/test_shadows.py",
)


class Order(LoadFileScheduling):  # type: ignore[misc]
    """A file at a time, as pytest-xdist's own; those that compile count as one, and go first."""

    def _split_scope(self, nodeid: str) -> str:
        file = str(super()._split_scope(nodeid))
        return COMPILING[0] if file in COMPILING else file

    def _assign_work_unit(self, node: Any) -> None:
        named = (file for file in (COMPILING[0], *MEANWHILE, *LONG) if file in self.workqueue)
        # Of those that are not named it is the one of most tests.
        self.workqueue.move_to_end(next(named, next(iter(self.workqueue))), last=False)
        super()._assign_work_unit(node)
