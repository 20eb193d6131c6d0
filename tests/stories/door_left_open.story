A door left open on a January evening
zone America/Chicago
room cellar
sensor north in cellar every 10min
contact Odile quiet 22:00 6:00
contact Bram
begins 2027-01-12 12:00
---
0:00 north 49F 80%
5:00 north 44F 72%    # somebody goes home and leaves it open
5:30 north 39F 68%
6:30 north 36F 62%
8:00 north 34F 60%    # four hours after, frost is near
8:50 acknowledge frost   # Odile reads it after half an hour
9:20 north 38F 66%    # and shuts the door
10:30 north 44F 74%
12:00 north 47F 79%
20:00 reset frost
24:00 end
---
  6:30 (18:30) cold 1 room cellar, low: normal > unacknowledged
  6:30 (18:30) --> Odile, announce: Look soon: Cold in the cellar
  8:15 (20:15) frost 1 room cellar, high: normal > unacknowledged
  8:15 (20:15) --> Odile, announce: Act now: Frost near in the cellar
  8:45 (20:45) --> Bram, escalate: Act now: Frost near in the cellar
  8:50 (20:50) frost 1 room cellar, high: unacknowledged > acknowledged
  9:50 (21:50) frost 1 room cellar, high: acknowledged > latched-acknowledged
  9:50 (21:50) --> Odile, over: Over: Frost near in the cellar
  9:50 (21:50) --> Bram, over: Over: Frost near in the cellar
 11:00 (23:00) cold 1 room cellar, low: unacknowledged > returned-unacknowledged
 19:00 (07:00) --> Odile, summary: Invented store: 2 alerts to look at
 20:00 (08:00) frost 1 room cellar, high: latched-acknowledged > normal
