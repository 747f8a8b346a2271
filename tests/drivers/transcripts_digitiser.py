"""Transcripts written from the programming pages of digitiser-a and digitiser-b."""

from __future__ import annotations

from drivers.roles.capture import Capture

EMPTY = '\n> SYSTem:ERRor?\n< 0,"No error"\n'

# Programming page of digitiser-a: attenuation 10, before the scale.
PREPARE_A = f"""
> STOP
> CHANnel1:PROBe 10
> CHANnel1:COUPling DC
> CHANnel1:IMPedance ONEMeg
> CHANnel1:OFFSet 0
> ACQuire:TYPE NORMal
> TRIGger:SOURce EXTernal
> TRIGger:SWEep NORMal
> TRIGger:DELay 0{EMPTY}> CHANnel1:PROBe?
< 1.0000E+01
> CHANnel1:COUPling?
< DC
> CHANnel1:IMPedance?
< ONEM
> CHANnel1:OFFSet?
< 0.00000E+00
> ACQuire:TYPE?
< NORM
> TRIGger:SOURce?
< EXT
> TRIGger:SWEep?
< NORM
> TRIGger:DELay?
< 0.000000000E+00
"""
# 18 V must fit: 4.5 V a division is asked (four to each side), 5 V the next range up: 20 V.
# 1.2 MS/s asked, rounded down to 1 MS/s; 950 samples rounded up to 1000.
SET_A = f"""
> TIMebase:PRETrigger 0
> CHANnel2:DISPlay OFF
> CHANnel3:DISPlay OFF
> CHANnel4:DISPlay OFF
> ACQuire:SRATe 1.2E6
> CHANnel1:DISPlay ON
> ACQuire:SRATe 1.2E6
> ACQuire:POINts 950
> CHANnel1:SCALe 4.5{EMPTY}> CHANnel1:DISPlay?
< 1
> CHANnel2:DISPlay?
< 0
> CHANnel3:DISPlay?
< 0
> CHANnel4:DISPlay?
< 0
> ACQuire:SRATe?
< 1.000000E+06
> ACQuire:POINts?
< 1000
> TIMebase:PRETrigger 5E-4
> TRIGger:DELay 0{EMPTY}> TIMebase:PRETrigger?
< 5.000000E-04
> TIMebase:PRETrigger?
< 5.000000E-04
> TRIGger:DELay?
< 0.000000000E+00
> CHANnel1:SCALe?
< 5.00000E+00
"""
CAPTURE_A = Capture({1: 18.0}, 1.2e6, 950, 0.0005)
ARM_A = """
> ACQuire:COUNt?
< 7
> SINGle
> TRIGger:STATe?
< STOP
> ACQuire:COUNt?
< 7
> TRIGger:STATe?
< WAIT
"""
DONE_A = """
> TRIGger:STATe?
< RUN
> TRIGger:STATe?
< STOP
> ACQuire:COUNt?
< 8
"""
# 5 V a division: 40 V over 65536 codes = 6.103515625E-04 V a code, code 32768 at 0 V.
PREAMBLE_A = "1,0,1000,1,1.000000E-06,-5.000000E-04,0,6.103515625E-04,0.000000E+00,32768"
FETCH_A = f"""
> WAVeform:SOURce CHANnel1
> WAVeform:SOURce?
< CHAN1
> WAVeform:PREamble?
< {PREAMBLE_A}
> WAVeform:DATA?
<block
"""

# Programming page of digitiser-b: gain 0.1 for a 10:1 probe; before the trigger in percent of the record.
PREPARE_B = f"""
> ACQuire:STATE STOP
> CH1:PROBe:GAIN 0.1
> CH1:COUPling DC
> CH1:TERmination MEG
> CH1:POSition 0
> ACQuire:STOPAfter SEQuence
> TRIGger:SOUrce EXTernal
> TRIGger:MODe NORMal
> HORizontal:BEGin 0{EMPTY}> CH1:PROBe:GAIN?
< 1.0000E-1
> CH1:COUPling?
< DC
> CH1:TERmination?
< MEG
> CH1:POSition?
< 0.0000E+0
> ACQuire:STOPAfter?
< SEQ
> TRIGger:SOUrce?
< EXT
> TRIGger:MODe?
< NORM
> HORizontal:BEGin?
< 0.000000000E+0
"""
# 22 V must fit: 4.4 V a division is asked (five to each side), 5 V the next range: 25 V. 0.9 MS/s goes up to
# 1 MS/s; 1000 samples last 1 ms, of which 0.25 ms are 25 percent.
SET_B = f"""
> HORizontal:PREtrigger 0
> SELect:CH2 OFF
> SELect:CH3 OFF
> SELect:CH4 OFF
> HORizontal:SAMPLERate 9E5
> SELect:CH1 ON
> HORizontal:SAMPLERate 9E5
> HORizontal:RECOrdlength 1000
> CH1:SCAle 4.4{EMPTY}> SELect:CH1?
< 1
> SELect:CH2?
< 0
> SELect:CH3?
< 0
> SELect:CH4?
< 0
> HORizontal:SAMPLERate?
< 1.0000E+6
> HORizontal:RECOrdlength?
< 1000
> HORizontal:PREtrigger 25
> HORizontal:BEGin 0{EMPTY}> HORizontal:PREtrigger?
< 2.5000E+1
> HORizontal:PREtrigger?
< 2.5000E+1
> HORizontal:BEGin?
< 0.000000000E+0
> CH1:SCAle?
< 5.0000E+0
"""
CAPTURE_B = Capture({1: 22.0}, 9e5, 1000, 0.00025)
ARM_B = """
> ACQuire:STATE RUN
> TRIGger:STATE?
< ARM
> TRIGger:STATE?
< READY
"""
DONE_B = """
> *OPC?
< 1
> TRIGger:STATE?
< SAVE
"""
PREAMBLE_B = "2;16;RI;1000;1.0000E-6;-2.5000E-4;7.62939453125E-4;0.0000E+0;0.0000E+0"
FETCH_B = f"""
> DATa:SOUrce CH1
> DATa:SOUrce?
< CH1
> WFMOutpre?
< {PREAMBLE_B}
> CURVe?
<block
"""
