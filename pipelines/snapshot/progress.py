"""What a build says while it runs."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass
class Progress:
    """What a build says while it runs: `say(text)` for a stage, `step(done, of)` for progress within it, and
    `file(name, rows, done, of)` for the file at hand, the rows read so far, and bytes. `notes` are sentences
    for whoever began it, when it is done."""

    say: Callable[[str], object] = lambda text: None
    step: Callable[[int, int], object] = lambda done, of: None
    file: Callable[[str, int, float, int], object] = lambda name, rows, done, of: None
    notes: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)

    def stage(self, name):
        now = time.perf_counter()
        if self.seconds:
            last = next(reversed(self.seconds))
            self.seconds[last] = now - self.seconds[last]
        self.seconds[name] = now
        self.say(name)
