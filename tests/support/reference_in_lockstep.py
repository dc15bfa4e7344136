"""The reference robot behind the protocol for robots of one's own: bytes in, bytes out."""

from pathlib import Path

from emulator.assembly.session import load_session, mission
from emulator.core.frame_buffer import frame_buffer
from emulator.robot.mission import ReferenceRider

FILES = Path(__file__).parents[2] / "scenarios"


class Reference:
    name, version, wants = "reference", "in lockstep", "frames"

    rig = "loopback"

    def begin(self, start):
        session = load_session(FILES / "rigs" / f"{self.rig}.yaml", FILES / "runs" / "first_lap.yaml")
        self.rider = ReferenceRider(mission(session))
        self.rx, self.tx = frame_buffer(256), frame_buffer(16)
        self.stepped = 0

    def act(self, moment):
        for sentences in moment.sentences:
            # told before its own step, but they came behind the one before
            self.rider.hear(sentences.data, sentences.arrived_ns, self.stepped)
        rx, tx = self.rx, self.tx
        rx.count[0] = len(moment.frames)
        for i, frame in enumerate(moment.frames):
            rx.can_id[i], rx.length[i] = frame.can_id, len(frame.data)
            rx.data[i, : len(frame.data)] = list(frame.data)
        self.rider.step(rx, tx)
        self.stepped = moment.time_ns
        return {
            "frames": [
                (int(tx.can_id[i]), tx.data[i, : tx.length[i]].tobytes()) for i in range(int(tx.count[0]))
            ]
        }


class OnMegabit(Reference):
    rig = "megabit"
