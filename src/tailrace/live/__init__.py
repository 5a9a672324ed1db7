"""What if? A page on this machine that answers while one changes a number.

`serve.serve` opens it. `starts` are the scenarios from which a page can begin: the file, and the lessons. A page's
whole state is in its address (`address.State`): a start, keys set over it, and the keys of an answer that was kept to
compare with. `controls` says which keys may be set, and how; nothing else of a scenario can be reached from a page.

    browser -> guard -> site -> desk -> worker -> reckoned -> shown -> desk -> stream -> browser

`guard` lets in nobody without the key of the address, no other host or origin, and no body. `site` has the routes.
`desk` gives pieces of work, one after the other and the most urgent first, to `worker` processes, which are ended where
a piece takes too long; a newer question of a page takes the place of the older one. `reckoned` carries out a piece:
closed forms, then runs in steps that grow, all on the pipeline of `answer`; `shown` makes HTML of what it found, from
templates that escape all. `stream` sends it as server-sent events, always the latest, so that a slow reader holds up
nobody. The only script is ``live.js``.

To show something else: give `reckoned` a piece that finds it, `shown` a fragment, and ``live.html`` an element whose
``id`` is the name of the event. To bring another control to the front: `controls.FIRST`.
"""
