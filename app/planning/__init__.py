"""The run plan of a test session, and the season's hours. Its search is pure: no database, no clock, seeded.

Reading guide: `day` is what is asked, `brackets` how a chain of runs is built, `schedule` puts chains on the clock,
`balance` counts order, `search` chooses, `limits` refuses with figures, `replan` mends a day under way, `season` looks
at all bookings. `models` to `pages` are the feature around it.
"""
