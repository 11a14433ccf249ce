"""A short fleet list as a clerk would send it, with two slips in it, to try the import's dry run on."""

FLEET_LIST_FILE = "fleet-list.csv"
# The 13th month and a mark that contradicts its pressure are what the dry run is to find.
FLEET_LIST = """\
Serial No.,DOT Spec,Working pressure (psi),Mfg Date,Last Hydro,Use,Remark
ZX 50001,DOT-SP10915-4500,4500,2021-03,,SCBA,bought from a neighbour
ZX 50002,DOT-SP10915-4500,4500,2021-13,,SCBA,
ZX 50003,DOT-3AA2216,2216,1998-05,2023-04,SCBA,
ZX 50004,DOT-3AL3000,2216,2012-07,2022-08,SCUBA,
"""
