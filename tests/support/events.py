"""The models of events under names of their own, as tests build them."""

from emulator.config.scenario.events import EVENT_MODELS

FaultEvent = EVENT_MODELS["fault"]
FrameEvent = EVENT_MODELS["frame"]
ActuatorEvent = EVENT_MODELS["actuator"]
BusEvent = EVENT_MODELS["bus"]
RestartEvent = EVENT_MODELS["restart"]
GripEvent = EVENT_MODELS["grip"]
GustEvent = EVENT_MODELS["gust"]
GearboxEvent = EVENT_MODELS["gearbox"]
GnssEvent = EVENT_MODELS["gnss"]
MarkEvent = EVENT_MODELS["mark"]
UnitFault = EVENT_MODELS["electronics"]
