"""Transcripts written from the programming page of generator-a."""

from __future__ import annotations

# From the programming page of generator-a; the order load, unit, level is forced by its remarks.
PREPARE = """
> OUTPut1 OFF
> SYSTem:ERRor?
< 0,"No error"
> OUTPut1?
< 0
> SOURce1:FUNCtion SINusoid
> OUTPut1:LOAD INFinity
> SOURce1:VOLTage:UNIT VRMS
> SOURce1:VOLTage 0.0001
> SOURce1:VOLTage:OFFSet 0
> SOURce1:BURSt:PHASe 0
> SOURce1:FREQuency 1000
> SOURce1:BURSt:MODE TRIGgered
> SOURce1:BURSt:NCYCles 1
> TRIGger1:SOURce BUS
> SOURce1:BURSt:STATe ON
> SYSTem:ERRor?
< 0,"No error"
> SOURce1:FUNCtion?
< SIN
> OUTPut1:LOAD?
< 9.9E+37
> SOURce1:VOLTage:UNIT?
< VRMS
> SOURce1:VOLTage?
< +1.0000000E-04
> SOURce1:VOLTage:OFFSet?
< +0.0000000E+00
> SOURce1:BURSt:PHASe?
< +0.0000000E+00
> SOURce1:FREQuency?
< +1.0000000000E+03
> SOURce1:BURSt:MODE?
< TRIG
> SOURce1:BURSt:NCYCles?
< +1
> TRIGger1:SOURce?
< BUS
> SOURce1:BURSt:STATe?
< 1
"""

SET_BURST = """
> SOURce1:BURSt:NCYCles 20
> SOURce1:FREQuency 1000
> SOURce1:VOLTage 1.2345
> SYSTem:ERRor?
< 0,"No error"
> SOURce1:BURSt:NCYCles?
< +20
> SOURce1:FREQuency?
< +1.0000000000E+03
> SOURce1:VOLTage?
< +1.2345000E+00
> OUTPut1:LOAD?
< 9.9E+37
> SOURce1:VOLTage:UNIT?
< VRMS
> SOURce1:BURSt:STATe?
< 1
"""

OUTPUT_ON = """
> TRIGger1:SOURce BUS
> SOURce1:BURSt:STATe ON
> OUTPut1 ON
> SYSTem:ERRor?
< 0,"No error"
> TRIGger1:SOURce?
< BUS
> SOURce1:BURSt:STATe?
< 1
> OUTPut1?
< 1
"""

FIRE = """
> *TRG
> SYSTem:ERRor?
< 0,"No error"
"""
