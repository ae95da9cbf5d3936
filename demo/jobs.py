"""Three invented jobs of an invented shop, as commands typed at its bays.

Harbour Yard is a workshop that looks after the vans of a ferry company. Neither exists.
"""

from __future__ import annotations

import shlex

COIL = r"""
open HY-101 --layout inline-4 --odometer '148000 km' --driven '300 km' \
  --complaint 'stumbles on hills, lamp blinks' --family van-16
drive 15 --when warm,load --codes P0300,P0303
swap coil 3-1
drive 15 --when warm,load --no-codes
drive 30 --when warm,load --codes P0301
replace coil1 --price 48
drive 60 --when warm,load --no-codes
close --cause coil3 --mode breakdown --verified
"""
"""An intermittent coil: it keeps quiet for one drive after the swap, then shows."""

SEALING = r"""
open HY-102 --layout v6 --odometer '212000 km' --driven '900 km' \
  --complaint 'rough at idle since spring' --family bus-30
drive 10 --when warm,idle --codes P0304
swap coil 4-1 plug 4-2
drive 10 --when warm,idle --codes P0304
read injector-resistance 4=12.1ohm
read compression 1=172psi 2=169psi 3=174psi 4=68psi 5=170psi 6=171psi
read compression-wet 4=151psi
back
replace sealing4 --price 640
drive 30 --when warm,idle --no-codes
drive 30 --when warm,load --no-codes
close --cause sealing4 --mode rings --verified --confirmed-by compression-wet
"""
"""Swaps point away from ignition, and a cylinder is found that does not seal."""

CONNECTOR = r"""
open HY-103 --layout inline-4 --odometer '96000 km' --driven '150 km' \
  --complaint 'misfires after rain' --family van-16
drive 10 --when warm,load --codes P0302
drive 10 --when warm,load --codes P0302
swap coil 2-4
drive 30 --when warm,load --no-codes
drive 60 --when warm,load --no-codes
inspect coil-wiggle 2 nothing
replace coil-wiring2 --price 6
drive 360 --when warm,load --no-codes
back
close --cause coil-wiring2 --verified
"""
"""The misfire is gone after the swap: a contact was cured by being touched."""

JOBS = {
    name: [shlex.split(line) for line in story.replace("\\\n", "").strip().splitlines()]
    for name, story in (("coil", COIL), ("sealing", SEALING), ("connector", CONNECTOR))
}
