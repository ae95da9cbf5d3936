"""From a replayed job and a pack to factors and bits.

In reading order: `arrays` (what inference takes), `states` (what can be wrong), `running` with
`monitor` and `counters` (what drives say), `profiles`, `looks` and `levels` (what tests say),
`assemble` (a whole job).
"""
