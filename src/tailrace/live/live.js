"use strict";
// The state of the page is its address. A change writes the address and asks anew; answers come as events, each the
// content of the element that has its name. The server has escaped them, and the page allows no script but this one.
const byId = (id) => document.getElementById(id);
const tab = Math.random().toString(36).slice(2);
const main = byId("answer");
let asked = 0, stream = null, timer = 0, kept = null;

function fields() { return [...document.querySelectorAll("#controls [data-key]:is(select, input)")]; }

// Keys that differ from those of the start. A change that nothing shows, such as a key of a drive that is gone, goes too.
function settings() {
  return fields().filter((each) => each.value.trim() !== each.dataset.file).map((each) => `${each.dataset.key}=${each.value.trim()}`);
}

function query() {
  const now = new URLSearchParams(location.search), state = new URLSearchParams();
  if (now.get("start")) state.set("start", now.get("start"));
  for (const each of settings()) state.append("set", each);
  if (kept !== null) { state.set("kept", "yes"); for (const each of kept) state.append("keep", each); }
  if (document.documentElement.classList.contains("large")) state.set("large", "yes");
  return state.toString();
}

function look() {
  const state = new URLSearchParams(location.search);
  const large = state.get("large") === "yes";
  document.documentElement.classList.toggle("large", large);
  byId("large").setAttribute("aria-pressed", large);
  kept = state.has("kept") ? state.getAll("keep") : null;
  byId("drop").hidden = kept === null;
  const said = byId("settings");
  said.replaceChildren();
  const list = (label, found) => {
    said.append(label);
    if (!found.length) said.append(" as it starts");
    for (const each of found) { const code = document.createElement("code"); code.textContent = each; said.append(" ", code); }
    said.append(". ");
  };
  if (state.has("set")) list("With", state.getAll("set"));
  if (kept !== null) list("Kept to compare:", kept);
  for (const each of document.querySelectorAll("[data-take]")) each.href = `take/${each.dataset.take}${location.search}`;
  for (const each of fields()) each.closest(".control").classList.toggle("changed", each.value.trim() !== each.dataset.file);
}

function ask() {
  look();
  if (stream) stream.close();
  const state = new URLSearchParams(location.search);
  state.set("tab", tab);
  state.set("number", ++asked);
  const columns = getComputedStyle(document.querySelector(".answer")).gridTemplateColumns.split(" ").length;
  state.set("width", main.clientWidth / columns < 640 ? "narrow" : "wide");
  state.set("whole", main.clientWidth < 640 ? "narrow" : "wide");
  main.classList.add("waits");
  main.setAttribute("aria-busy", "true");
  const mine = stream = new EventSource(`events?${state}`);
  for (const name of ["verdict", "latency", "time", "load", "problem", "spoken", "progress"]) {
    mine.addEventListener(name, (event) => {
      if (mine !== stream) return;
      const open = byId("more")?.open;
      byId(name).innerHTML = event.data;
      if (name === "verdict") {
        if (open) byId("more").open = true;
        main.classList.remove("waits");
        byId("progress").textContent = "";
        byId("problem").textContent = "";
        main.dataset.number = asked;
        main.dataset.step = byId("verdict").querySelector("[data-step]").dataset.step;
      }
    });
  }
  mine.addEventListener("done", () => {
    mine.close();
    if (mine !== stream) return;
    main.classList.remove("waits");
    main.setAttribute("aria-busy", "false");
    main.dataset.done = asked;
  });
  mine.addEventListener("stopped", () => {
    mine.close();
    byId("progress").textContent = "The server was stopped. What you see stays, and so does the address: its part behind the question mark opens this again, as tailrace live FILE --at '…'.";
  });
  mine.onerror = () => {
    if (mine !== stream) return;
    byId("progress").textContent = mine.readyState === EventSource.CLOSED
      ? "The server has no room for another page just now, or does not know this address. Change anything to try again."
      : "The server does not answer; trying again. What you see stays.";
  };
}

function write(push) {
  const address = `?${query()}`;
  if (address !== (location.search || "?")) history[push ? "pushState" : "replaceState"](null, "", address === "?" ? "./" : address);
}

// While a slider is dragged the address follows, and the last value becomes a step that "back" undoes.
let before = location.href;
function change(final) {
  clearTimeout(timer);
  timer = setTimeout(() => {
    if (final && before !== location.href) { const now = location.href; history.replaceState(null, "", before); history.pushState(null, "", now); }
    const old = location.search;
    write(final && before === location.href);
    if (location.search !== old || !final) ask();
    if (final) before = location.href;
  }, final ? 0 : 40);
}

async function renew() {
  const focus = document.activeElement?.dataset?.key, open = byId("others")?.open, sought = byId("find")?.value;
  const answer = await fetch(`controls${location.search}`);
  if (!answer.ok) return;
  byId("controls").innerHTML = await answer.text();
  if (open) byId("others").open = true;
  if (sought) { byId("find").value = sought; find(); }
  fields().find((each) => each.dataset.key === focus)?.focus();
}

function find() {
  const words = byId("find").value.toLowerCase().split(/\s+/).filter(Boolean);
  let count = 0;
  for (const each of document.querySelectorAll("#others .control")) {
    each.hidden = !words.every((word) => each.dataset.find.toLowerCase().includes(word));
    count += !each.hidden;
  }
  byId("found").textContent = words.length ? `${count} keys` : "";
}

const form = byId("controls");
form.addEventListener("submit", (event) => event.preventDefault());
form.addEventListener("input", (event) => {
  const each = event.target;
  if (each.id === "find") return find();
  if (each.type === "range") {
    const field = byId(each.dataset.for);
    field.value = JSON.parse(each.dataset.stops)[each.value];
    each.setAttribute("aria-valuetext", field.value);
    change(false);
  }
});
form.addEventListener("change", async (event) => {
  const each = event.target;
  if (each.id === "find") return;
  if (each.type === "text") {
    const range = form.querySelector(`[data-for="${each.id}"]`);
    const place = range ? JSON.parse(range.dataset.stops).indexOf(each.value.trim()) : -1;
    if (place >= 0) range.value = place;
  }
  const key = each.dataset.key || "";
  if (key.endsWith(".part")) {  // another drive has other keys; of the old one's only how many there are stays
    const place = key.slice(0, -".part".length);
    for (const one of fields()) if (one.dataset.key.startsWith(`${place}.`) && ![key, `${place}.count`].includes(one.dataset.key)) one.value = one.dataset.file;
    write(true); before = location.href; ask(); await renew(); look();
    return;
  }
  change(true);
});
addEventListener("popstate", async () => { before = location.href; await renew(); ask(); });
function pressed(id, does) { byId(id).addEventListener("click", async () => { does(); write(true); before = location.href; ask(); await renew(); look(); }); }
pressed("keep", () => { kept = settings(); });
pressed("drop", () => { kept = null; });
pressed("reset", () => { for (const each of fields()) each.value = each.dataset.file; });
byId("large").addEventListener("click", () => {
  document.documentElement.classList.toggle("large");
  write(false); before = location.href; look();
});
ask();
