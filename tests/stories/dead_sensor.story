A sensor that dies, in a room that is too dry: the sensor's alert names the cause
room cellar
room attic
sensor north in cellar every 10min
sensor east in attic every 10min
sensor west in attic every 10min
contact Odile
begins 2026-12-01 08:00
---
0:00 north 48F 70.5%
0:00 east 48F 80%
0:00 west 48F 80%
14:00 east silent        # its neighbour still speaks
16:00 north silent       # the room's only one
16:45 acknowledge silent
20:00 north 48F 70.5%
21:00 east 48F 80%
24:00 end
---
 12:00 (20:00) dry-out 1 room cellar, low: normal > unacknowledged
 12:00 (20:00) --> Odile, announce: Look soon: Dry in the cellar
 14:25 (22:25) silent 1 sensor east, medium: normal > unacknowledged
 14:25 (22:25) --> Odile, announce: Act today: No word from sensor east in the attic
 16:25 (00:25) silent 1 sensor north, high: normal > unacknowledged
 16:25 (00:25) dry-out 1 room cellar, low: unacknowledged > suppressed
 16:25 (00:25) --> Odile, announce: Act now: No word from sensor north in the cellar
 16:45 (00:45) silent 1 sensor north, high: unacknowledged > acknowledged
 20:00 (04:00) silent 1 sensor north, high: acknowledged > normal
 20:00 (04:00) dry-out 1 room cellar, low: suppressed > unacknowledged
 21:00 (05:00) silent 1 sensor east, medium: unacknowledged > returned-unacknowledged
 23:00 (07:00) --> Odile, summary: Invented store: 2 alerts, look soon
