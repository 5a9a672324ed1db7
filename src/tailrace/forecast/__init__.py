"""What do closed forms say of a scenario, before any run?

`estimate` joins demands counted on a sample of the plan with the closed forms of `tailrace.theory`: `exact` where these
are exact, `decompose` elsewhere, station by station (`banks`, `arms`) and over ways that go side by side (`ways`);
`caution` says where that is not to be trusted. `saturation` says how much of what each station can carry is asked of
it, and which binds; an arm's capacity is found by a short run of it alone (`by_itself`). `edge` says at which value of
a key the server saturates, `failures` what is at risk while drives are down.
"""
