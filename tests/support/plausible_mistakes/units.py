"""Mistakes with a co-simulation unit: ``robots/rider.fmu``, named by ``rigs/mine.yaml``.

What a file's name ends with after ``!`` is a member of the unit, which is packed before the command.
"""

from tests.support.plausible_mistakes.mistake import CHECK, Mistake

MODEL = "robots/rider.fmu!modelDescription.xml"
BINARY = "robots/rider.fmu!binaries/x86_64-linux/rider.so"
DESCRIPTION = """\
<?xml version="1.0" encoding="UTF-8"?>
<fmiModelDescription fmiVersion="3.0" modelName="mine" version="1" instantiationToken="mine">
<CoSimulation modelIdentifier="rider"/>
<ModelVariables>
<Float64 name="time" valueReference="0" causality="independent" variability="continuous"/>
<Float64 name="gyro_x" valueReference="1" causality="input" start="0"/>
<Float64 name="torque" valueReference="2" causality="output"/>
<Float64 name="gain" valueReference="3" causality="parameter" variability="fixed" start="1"/>
</ModelVariables>
<ModelStructure><Output valueReference="2"/></ModelStructure>
</fmiModelDescription>
"""
RIG = """\
based_on: own_robot.yaml
name: mine
device_under_test:
  virtual:
    kind: fmi
    file: ../robots/rider.fmu
    inputs: {gyro_x: rate_x_rad_s}
    outputs: {torque: steering_torque_Nm}
    settings: {gain: 2.0}
"""
_UNIT, _INPUTS = ("file: ../", "file: ^../"), "inputs: {gyro_x: rate_x_rad_s}"


def m(did: str, files: dict[str, tuple[str, str] | str], *says: str) -> Mistake:
    return Mistake(did, CHECK, files, "", says)


UNITS = [
    m(
        "exported the unit by FMI 2",
        {MODEL: ('fmiVersion="3.0"', 'fmiVersion="2.0"'), "rigs/mine.yaml": _UNIT},
        *("FMI 3", "2.0"),
    ),
    m(
        "exported it for model exchange",
        {MODEL: ("<CoSimulation", "<ModelExchange"), "rigs/mine.yaml": _UNIT},
        "co-simulation",
    ),
    m(
        "exported it for another system",
        {BINARY: "", "robots/rider.fmu!binaries/x86_64-windows/rider.dll": "x", "rigs/mine.yaml": _UNIT},
        *("x86_64-windows", "x86_64-linux"),
    ),
    m(
        "misspelt a variable of the unit",
        {"rigs/mine.yaml": (_INPUTS, "inputs: {^gyro_X: rate_x_rad_s}")},
        "did you mean 'gyro_x'?",
    ),
    m(
        "named an output of the unit among its inputs",
        {"rigs/mine.yaml": (_INPUTS, "inputs: {^torque: rate_x_rad_s}")},
        *("expected an input", "output"),
    ),
    m(
        "set a parameter that the unit does not have",
        {"rigs/mine.yaml": ("{gain: 2.0}", "{^gian: 2.0}")},
        *("parameter", "did you mean 'gain'?"),
    ),
]
