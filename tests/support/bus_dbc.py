"""A DBC of two frames, one with an identifier of 29 bits, that share a signal's name; invented."""

BUS_DBC = """VERSION ""
NS_ :
BS_:
BU_: L
BO_ 291 wheels: 8 L
 SG_ speed : 0|16@1+ (0.01,0) [0|0] "km/h" L
 SG_ lean : 23|16@0- (0.01,0) [0|0] "deg" L
BO_ 2147483940 far: 8 L
 SG_ torque : 0|16@1- (0.1,0) [0|0] "Nm" L
 SG_ speed : 16|16@1+ (0.01,0) [0|0] "km/h" L
"""
