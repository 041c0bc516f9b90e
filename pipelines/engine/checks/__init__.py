"""CHECKS: every check, in the order they run; checks that read other outcomes of the visit come last."""

from pipelines.engine.checks.controls import CONTROLS
from pipelines.engine.checks.evidence import EVIDENCE
from pipelines.engine.checks.potable import POTABLE
from pipelines.engine.checks.pressure import PRESSURE
from pipelines.engine.checks.relief import RELIEF
from pipelines.engine.checks.tank import TANK

CHECKS = PRESSURE + TANK + RELIEF + POTABLE + CONTROLS + EVIDENCE
BY_ID = {check.id: check for check in CHECKS}
HOME_CHECKS = tuple(check for check in CHECKS if not check.evidence)
