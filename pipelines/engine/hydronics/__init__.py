"""Physics of a closed hot-water loop: the air outside, the fluid, the loop, the expansion tank.

Every public function takes floats or NumPy arrays, broadcasts them and gives the same back in float64. A
value that is missing (NaN) or has no physical meaning gives NaN; no warning is raised and no value is
refused. Limits and policies are not decided here. Gas laws need absolute pressure: names ending in `psia` are
absolute, `psig` gauge; a gauge pressure becomes absolute by adding `atmosphere.atmosphere_psia` of the place.
"""
