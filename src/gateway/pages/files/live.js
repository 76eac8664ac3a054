"use strict";
// Every signal with its value now. The service sends everything once, then only rows that changed; of these, only what
// is on the screen is drawn, and only cells whose text is another.

const byId = (id) => document.getElementById(id);
const tap = document.body.dataset.tap;
const scroll = byId("scroll");
const body = byId("rows");
const filter = byId("filter");
const show = byId("show");
const connection = byId("connection");

let generation = 0;
let sequence = 0;
let offsetS = 0;
let heads = [];       // what each row is
let texts = [];       // what the filter looks at, in small letters
let rows = [];        // what each row says
let order = [];       // rows as they are shown when nothing is filtered
let shown = [];       // rows that are shown
let place = [];       // where a row stands in `shown`, or -1
let markedCount = 0;
let changedNames = new Map();

// ---- rows -----------------------------------------------------------------------------------------------------------

// Fields of a row on the wire.
const ROW = 0, STATE = 1, TEXT = 2, STALE = 3, CHANGED = 4, CHANGES = 5, LAPSES = 6, SEEN = 7, MARKED = 8;
const WORDS = {
  unheard: "not heard", value: "", implausible: "implausible", unavailable: "not available", error: "error",
  reserved: "reserved", not_a_number: "not a number", short: "frame too short",
};

const isValue = (row) => row[STATE] === "value" || row[STATE] === "implausible";
const nameOf = (head) => head.message + "." + head.signal;

function senderOf(head) {
  const source = head.source === null ? "" : "source " + head.source.toString(16).toUpperCase().padStart(2, "0");
  return [head.bus, head.module, source].filter((part) => part !== "").join(", ");
}

function unitOf(head) {
  if (head.unit === "" || head.unit === "1") return "";
  return " " + (head.unit === "Cel" ? "°C" : head.unit);
}

function valueOf(row, head) {
  return isValue(row) ? row[TEXT] + unitOf(head) : WORDS[row[STATE]];
}

function seenOf(row, head) {
  if (row[SEEN].length === 0) return "";
  if (head.kind !== "number") return row[SEEN].join(", ");
  const [low, high] = row[SEEN];
  return low === high ? low : low + " to " + high;
}

function clock(us, withParts) {
  if (us === 0) return "";
  const ms = Math.floor(us / 1000) + offsetS * 1000;
  const text = new Date(ms).toISOString();
  return text.slice(11, withParts ? 23 : 19);
}

// ---- drawing --------------------------------------------------------------------------------------------------------

const pool = [];      // table rows on the screen: element, cells, what they show
const above = space();
const below = space();
let rowPx = 45;
let first = 0;

function space() {
  const element = document.createElement("tr");
  element.className = "space";
  element.setAttribute("aria-hidden", "true");
  element.append(document.createElement("td"));
  return element;
}

function line() {
  const element = document.createElement("tr");
  const cell = (tag, kind, ...inner) => {
    const made = document.createElement(tag);
    made.className = kind;
    made.append(...inner);
    element.append(made);
    return made;
  };
  const part = (tag, kind) => {
    const made = document.createElement(tag);
    if (kind) made.className = kind;
    return made;
  };
  const name = part("b"), message = part("span", "message"), signal = part("span");
  const below = part("small"), messageBelow = part("span", "message below"), sender = part("span");
  name.append(message, signal);
  below.append(messageBelow, sender);
  const text = part("span", "text"), remark = part("small");
  const changed = part("span"), changedBy = part("small"), seen = part("span"), count = part("span"), lapses = part("small");
  const button = part("button");
  button.type = "button";
  const header = cell("th", "name", name, below);
  header.scope = "row";
  cell("td", "value", text, remark);
  cell("td", "time", changed);
  cell("td", "seen", seen);
  cell("td", "count", count, lapses);
  cell("td", "mark", button, changedBy);
  const made = { element, header, message, signal, messageBelow, sender, text, remark, changed, changedBy, seen, count, lapses, button, row: -1, drawn: {} };
  button.addEventListener("click", () => acknowledge([made.row]));
  return made;
}

function set(line, part, text) {
  if (line.drawn[part] === text) return;
  line.drawn[part] = text;
  line[part].textContent = text;
}

function draw(line, index) {
  const row = rows[index], head = heads[index];
  if (line.row !== index) {
    // A button must not come to mean another row while it is held.
    if (line.element.contains(document.activeElement)) scroll.focus({ preventScroll: true });
    line.row = index;
    line.header.title = head.about;
  }
  set(line, "message", head.message + ".");
  set(line, "signal", head.signal);
  set(line, "messageBelow", head.message + ", ");
  set(line, "sender", senderOf(head));
  const value = valueOf(row, head);
  const word = row[STATE] === "implausible" ? "implausible" : "";
  set(line, "text", value);
  set(line, "remark", [row[STALE] ? "stale" : "", word].filter((part) => part !== "").join(", "));
  set(line, "changed", clock(row[CHANGED], true));
  set(line, "seen", seenOf(row, head));
  set(line, "count", row[STATE] === "unheard" ? "" : String(row[CHANGES]));
  set(line, "lapses", row[LAPSES] === 0 ? "" : row[LAPSES] + "× silent");
  const marked = row[MARKED];
  let kind = "";
  if (row[STALE]) kind += " stale";
  if (row[STATE] === "unheard") kind += " unheard";
  if (!isValue(row) && row[STATE] !== "unheard" || row[STATE] === "implausible") kind += " odd";
  if (marked !== null) kind += " marked";
  if (line.drawn.kind !== kind) {
    line.drawn.kind = kind;
    line.element.className = kind.trim();
  }
  const was = marked === null ? "" : "◆ " + marked.times + "×, was " + marked.was;
  set(line, "changedBy", was);
  if (line.drawn.marked !== (marked !== null)) {
    line.drawn.marked = marked !== null;
    line.button.hidden = marked === null;
  }
  if (marked !== null) {
    set(line, "button", "Seen");
    const label = "Acknowledge " + nameOf(head) + ", changed " + marked.times + " times, was " + marked.was;
    if (line.drawn.label !== label) {
      line.drawn.label = label;
      line.button.setAttribute("aria-label", label);
      line.button.title = "first " + clock(marked.first_us, true) + ", last " + clock(marked.last_us, true);
    }
  }
  const at = String(place[index] + 2);
  if (line.drawn.at !== at) {
    line.drawn.at = at;
    line.element.setAttribute("aria-rowindex", at);
  }
}

// Rows are all of one height; how high that is, font and width of the window decide.
function measure() {
  const probe = line();
  body.insertBefore(probe.element, below);
  probe.signal.textContent = probe.sender.textContent = "x";
  rowPx = probe.element.getBoundingClientRect().height || rowPx;
  probe.element.remove();
}

// Which rows are on the screen; called when the list, the window or the scroll position changes.
function layout() {
  const visible = Math.ceil(scroll.clientHeight / rowPx) + 6;
  const count = Math.min(visible, shown.length);
  while (pool.length < count) {
    pool.push(line());
    body.insertBefore(pool[pool.length - 1].element, below);
  }
  while (pool.length > count) pool.pop().element.remove();
  first = Math.max(0, Math.min(Math.floor(scroll.scrollTop / rowPx) - 3, shown.length - count));
  // Row n always sits in element n modulo the pool, so that scrolling by one row draws one row.
  const sorted = [];
  for (let at = first; at < first + count; at++) {
    const element = pool[at % count];
    draw(element, shown[at]);
    sorted.push(element.element);
  }
  let before = above;
  for (const element of sorted) {
    if (before.nextSibling !== element) before.after(element);
    before = element;
  }
  above.firstChild.style.height = first * rowPx + "px";
  below.firstChild.style.height = (shown.length - first - count) * rowPx + "px";
}

function drawChanged(indices) {
  const count = pool.length;
  for (const index of indices) {
    const at = place[index];
    if (at >= first && at < first + count) draw(pool[at % count], index);
  }
}

// ---- which rows -----------------------------------------------------------------------------------------------------

function isWanted(index, words) {
  const row = rows[index];
  if (show.value === "marked" && row[MARKED] === null) return false;
  if (show.value === "heard" && row[STATE] === "unheard") return false;
  if (show.value === "stale" && !row[STALE] && row[STATE] !== "unheard") return false;
  return words.every((word) => texts[index].includes(word));
}

const wordsOf = () => filter.value.toLowerCase().split(/\s+/).filter((word) => word !== "");

function choose() {
  const words = wordsOf();
  shown = order.filter((index) => isWanted(index, words));
  place = new Array(rows.length).fill(-1);
  shown.forEach((index, at) => { place[index] = at; });
  byId("signals").setAttribute("aria-rowcount", String(shown.length + 1));
  layout();
  say();
}

// Rows that come to be wanted are added below, so that nothing moves under a finger; none is taken away before the list
// is chosen anew.
function add(indices) {
  if (show.value === "all") return;
  const words = wordsOf();
  let added = false;
  for (const index of indices) {
    if (place[index] === -1 && isWanted(index, words)) {
      place[index] = shown.length;
      shown.push(index);
      added = true;
    }
  }
  if (added) layout();
}

function say() {
  byId("shown").textContent = shown.length + " of " + rows.length + " signals shown, " + markedCount + " changed and not acknowledged";
  byId("all").textContent = "Acknowledge all (" + markedCount + ")";
  byId("all").disabled = markedCount === 0;
  document.title = (markedCount > 0 ? "(" + markedCount + ") " : "") + "yardtap: live values of " + tap;
}

// ---- updates --------------------------------------------------------------------------------------------------------

function take(update) {
  const whole = update.since === 0;
  // Something between was missed: the stream is begun anew, with everything.
  if (!whole && (update.generation !== generation || update.since > sequence)) {
    connect();
    return;
  }
  generation = update.generation;
  sequence = update.sequence;
  offsetS = update.utc_offset_s;
  if (whole) { heads = []; texts = []; rows = []; markedCount = 0; }
  const newHeads = update.heads.length > 0;
  update.heads.forEach((head, at) => {
    heads[update.first_head + at] = head;
    texts[update.first_head + at] = (nameOf(head) + " " + senderOf(head)).toLowerCase();
  });
  const changed = [];
  for (const row of update.rows) {
    const index = row[ROW], before = rows[index];
    const was = before !== undefined && before[MARKED] !== null, is = row[MARKED] !== null;
    markedCount += Number(is) - Number(was);
    if (is && !whole && (!was || before[MARKED].times !== row[MARKED].times)) changedNames.set(nameOf(heads[index]), valueOf(row, heads[index]));
    rows[index] = row;
    changed.push(index);
  }
  if (newHeads) {
    order = heads.map((_, index) => index);
    order.sort((a, b) => heads[a].place - heads[b].place || (heads[a].source ?? 0) - (heads[b].source ?? 0) || a - b);
  }
  if (whole || newHeads) choose();
  else { add(changed); drawChanged(changed); say(); }
  tell(update);
}

function tell(update) {
  const vehicle = update.vehicle === null ? "no vehicle heard yet" : "vehicle " + update.vehicle;
  text("vehicle", vehicle);
  text("clock", update.now_us === 0 ? "" : clock(update.now_us, false));
  const mark = update.mark;
  text("since", mark === null ? "no mark yet: since the start" : "since " + clock(mark.time_us, false) + (mark.note === "" ? "" : " “" + mark.note + "”") + (mark.who === "" ? "" : " (" + mark.who + ")"));
  const lost = update.lost_frames === 0 ? "" : ", " + update.lost_frames + " frames missed here";
  const more = update.rows_missing === 0 ? "" : ", more signals than can be shown";
  connected("live" + lost + more, lost !== "" || more !== "");
}

function text(id, words) {
  const element = byId(id);
  if (element.textContent !== words) element.textContent = words;
}

function connected(words, bad) {
  text("connection", words);
  connection.classList.toggle("bad", bad);
}

let source = null;
let heardAt = 0;

function connect() {
  if (source !== null) source.close();
  source = new EventSource("/live/stream?tap=" + encodeURIComponent(tap));
  heardAt = performance.now();
  source.addEventListener("update", (event) => {
    heardAt = performance.now();
    take(JSON.parse(event.data));
  });
  source.addEventListener("error", () => {
    connected("no connection: these values are old", true);
    // A refusal is final for the browser, not for us.
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, 3000);
  });
}

// The service says something every second; a line that is dead says nothing, not even that.
setInterval(() => {
  if (performance.now() - heardAt > 5000) {
    connected("no connection: these values are old", true);
    if (performance.now() - heardAt > 15000) connect();
  }
}, 1000);

// Changes are read out together, not more often than somebody can listen.
setInterval(() => {
  if (changedNames.size === 0) return;
  const names = [...changedNames].slice(0, 3).map(([name, value]) => name + " " + value).join(", ");
  const more = changedNames.size > 3 ? " and " + (changedNames.size - 3) + " more" : "";
  byId("announced").textContent = "Changed: " + names + more;
  changedNames = new Map();
}, 5000);

// ---- what a person does ---------------------------------------------------------------------------------------------

async function post(path, what) {
  const notice = byId("notice");
  try {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(what),
      signal: AbortSignal.timeout(10000),
    });
    if (!answer.ok) throw new Error(await answer.text());
    notice.textContent = "";
    return true;
  } catch (error) {
    notice.textContent = "That was not done: " + error.message;
    return false;
  }
}

function acknowledge(indices) {
  return post("/live/acknowledge", { tap, generation, sequence, rows: indices });
}

function acknowledgeShown() {
  const marked = shown.filter((index) => rows[index][MARKED] !== null);
  if (marked.length > 0) acknowledge(marked);
}

byId("all").addEventListener("click", acknowledgeShown);
byId("marking").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (await post("/live/mark", { tap, note: byId("note").value, who: byId("who").value })) byId("note").value = "";
});
byId("tap").addEventListener("change", (event) => { location.search = "?tap=" + encodeURIComponent(event.target.value); });
filter.addEventListener("input", () => { scroll.scrollTop = 0; choose(); });
show.addEventListener("change", () => { scroll.scrollTop = 0; choose(); });
scroll.addEventListener("scroll", () => requestAnimationFrame(layout), { passive: true });

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const typing = ["INPUT", "SELECT", "TEXTAREA"].includes(event.target.tagName);
  if (event.key === "Escape") {
    if (event.target === filter && filter.value !== "") { filter.value = ""; choose(); }
    scroll.focus();
  } else if (typing) {
    return;
  } else if (event.key === "/") { event.preventDefault(); filter.focus(); filter.select(); }
  else if (event.key === "m") { event.preventDefault(); byId("note").focus(); }
  else if (event.key === "a") { event.preventDefault(); acknowledgeShown(); }
});

body.append(above, below);
new ResizeObserver(() => { measure(); layout(); }).observe(scroll);
connect();
