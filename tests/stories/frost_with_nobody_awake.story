Frost in the night, and nobody hears it: told again, handed on, latched until somebody looked
room cellar
sensor north in cellar every 10min
contact Odile quiet 22:00 6:00
contact Bram
begins 2027-01-12 20:00
---
0:00 north 48F 80%
5:00 north 33F 80%
10:00 north 48F 80%
15:00 acknowledge frost
16:00 reset frost
20:00 end
---
  5:15 (01:15) frost 1 room cellar, high: normal > unacknowledged
  5:15 (01:15) --> Odile, announce: Act now: Frost near in the cellar
  5:45 (01:45) --> Bram, escalate: Act now: Frost near in the cellar
  6:00 (02:00) cold 1 room cellar, low: normal > unacknowledged
  9:15 (05:15) --> Odile, again: Act now: Frost near in the cellar
  9:45 (05:45) --> Bram, again: Act now: Frost near in the cellar
 10:00 (06:00) --> Odile, announce: Look soon: Cold in the cellar
 10:30 (06:30) frost 1 room cellar, high: unacknowledged > latched-unacknowledged
 10:30 (06:30) cold 1 room cellar, low: unacknowledged > returned-unacknowledged
 10:30 (06:30) sweating 1 room cellar, medium: normal > unacknowledged
 10:30 (06:30) --> Odile, over: Over: Frost near in the cellar
 10:30 (06:30) --> Bram, over: Over: Frost near in the cellar
 10:30 (06:30) --> Odile, announce: Act today: Close to sweating in the cellar
 11:00 (07:00) --> Odile, summary: Invented store: 3 alerts, act today
 11:00 (07:00) --> Bram, escalate: Act today: Close to sweating in the cellar
 14:30 (10:30) --> Odile, again: Over, not seen yet: Frost near in the cellar
 14:30 (10:30) --> Bram, again: Over, not seen yet: Frost near in the cellar
 15:00 (11:00) frost 1 room cellar, high: latched-unacknowledged > latched-acknowledged
 16:00 (12:00) frost 1 room cellar, high: latched-acknowledged > normal
