// The page of a visit: shows what the laptop says, sends the keys that are pressed.
// Text from the laptop is only ever set as text, never as markup.

const WORDS = {
  ready: "All in place",
  "load-on": "Load is on",
  "load-off": "Load is off",
  repeat: "Repeat",
  void: "Void",
  note: "Note",
  stop: "Stop",
};
const HOOKUPS = { // what the laptop calls them: the letters of its terminal, and words
  "neutral-neutral": ["nn", "neutral to neutral"],
  "neutral-ground": ["ng", "neutral to ground"],
  "line-drop": ["ld", "hot to neutral"],
};
const FORMS = { choose: "choosing", leave: "leaving" };
const ASK_TWICE = new Set(["void", "stop"]);
const SIGNS = { panel: "■", receptacle: "●", splice: "◆", untested: "○" };
const TRACE_S = 60;
const LEAST_RANGE_MV = 20; // wander must not look like a jump
const AXIS_PX = 70;
const SILENT_MS = 12000; // the laptop speaks at least every 5 s

const at = (id) => document.getElementById(id);
let view = null;
let operator = false;
let points = [];
let heard = null;
let asked = null;
let lastNews = Date.now();
let connected = null;
let drawing = false;
let audio = null;
let source = null;

function element(tag, text, className) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

function setText(id, text) {
  if (at(id).textContent !== text) at(id).textContent = text;
}

function showLink(up) {
  if (connected === up) return;
  connected = up;
  const sign = element("span", up ? "●" : "✕");
  sign.setAttribute("aria-hidden", "true");
  const over = view && view.stage === "stopped";
  const words = up ? " connected" : over ? " the visit is over" : " connection lost; the laptop goes on";
  at("link").replaceChildren(sign, words);
  if (view) {
    showKeys();
    showChoices();
  }
}

function showView() {
  setText("title", view.title);
  setText("instruction", view.instruction);
  setText("why", view.why);
  setText("certainty", view.certainty);
  const alerts = view.alerts.map((text) => element("p", `! ${text}`));
  if (at("alerts").textContent !== alerts.map((p) => p.textContent).join("")) {
    at("alerts").replaceChildren(...alerts);
  }
  at("levels").replaceChildren(
    ...view.levels.flatMap(([label, text]) => [element("dt", label), element("dd", text)]),
  );
  at("map").replaceChildren(...view.map_rows.map(mapRow));
  asked = null;
  showKeys();
  showChoices();
  playCue();
}

function mapRow(row) {
  const item = element("li", undefined, `lane-${Math.min(row.lane, 3)}`);
  const sign = element("span", SIGNS[row.kind] || "●", "sign");
  sign.setAttribute("aria-hidden", "true");
  const name = element("bdi", row.name);
  item.append(sign, name);
  if (row.kind === "splice") item.append(" (joint without a receptacle)");
  if (row.fed_from) {
    const sure = element("span", undefined, "sure");
    sure.append(", fed from ", element("bdi", row.fed_from), `: ${row.sure}`);
    item.append(sure);
  } else if (row.sure) {
    item.append(element("span", `, ${row.sure}`, "sure"));
  }
  return item;
}

function showKeys() {
  at("watching").hidden = operator;
  at("keys").hidden = !operator || !at("noting").hidden;
  const buttons = view.keys.map((key, index) => {
    const twice = asked === key;
    const button = element("button", twice ? `${WORDS[key]}: press again` : WORDS[key]);
    button.type = "button";
    button.dataset.key = key;
    if (index === 0 && (key === "ready" || key.startsWith("load"))) button.className = "first";
    if (twice) button.className = "sure";
    button.disabled = !connected;
    button.addEventListener("click", () => press(key));
    return button;
  });
  const focused = document.activeElement?.dataset?.key;
  at("keys").replaceChildren(...buttons);
  if (focused) at("keys").querySelector(`[data-key="${focused}"]`)?.focus();
}

async function send(path, body) {
  try {
    const response = await fetch(path, { method: "POST", body: JSON.stringify(body) });
    setText("answer", response.ok ? "" : await response.text());
    return response.ok;
  } catch {
    setText("answer", "Not sent: no connection. Try again.");
    return false;
  }
}

async function press(key) {
  if (key === "note") {
    asked = null;
    at("noting").hidden = false;
    showKeys();
    at("note").focus();
    return;
  }
  if (ASK_TWICE.has(key) && asked !== key) {
    asked = key;
    showKeys();
    return;
  }
  asked = null;
  showKeys();
  await send("/key", { key, step: view.step });
}

async function sendNote() {
  const sent = await send("/key", { key: "note", step: view.step, text: at("note").value });
  if (!sent) return;
  at("note").value = "";
  closeNote();
}

function closeNote() {
  at("noting").hidden = true;
  showKeys();
}

// -- what a person may decide besides: a test of one's own, receptacles to leave out ----------

function showChoices() {
  const { words, not_now: away } = view.choices;
  at("besides").hidden = !operator || view.stage === "stopped";
  const out = away.flatMap((name, index) => [index ? ", " : "Left out for now: ", element("bdi", name)]);
  at("left-out").replaceChildren(...out);
  const can = connected && words.includes("choose");
  const running = view.stage === "settling" || view.stage === "idle";
  at("choose-send").disabled = !can;
  setText(
    "choose-hint",
    can ? (running ? "The test that runs is taken back for it." : "") : "Possible before the load is on.",
  );
  const may = connected && words.includes("not-now");
  at("leave-send").disabled = !may;
  setText("leave-hint", may ? "" : "Possible while the leads are asked for.");
}

function openForm(name) {
  const opening = at(FORMS[name]).hidden;
  for (const other of Object.keys(FORMS)) closeForm(other);
  if (!opening) return;
  if (name === "choose") fillChoosing();
  else fillLeaving();
  setText("answer", "");
  at(FORMS[name]).hidden = false;
  at(`${name}-open`).setAttribute("aria-expanded", "true");
  at(FORMS[name]).querySelector("select, input")?.focus({ preventScroll: true });
  at(FORMS[name]).scrollIntoView({ block: "nearest" });
}

function closeForm(name) {
  at(FORMS[name]).hidden = true;
  at(`${name}-open`).setAttribute("aria-expanded", "false");
}

function backFrom(name) {
  closeForm(name);
  at(`${name}-open`).focus();
}

function options(pairs) {
  return [["", "choose"], ...pairs].map(([value, text]) => {
    const option = element("option", text);
    option.value = value;
    return option;
  });
}

function fillChoosing() {
  const { hookups, receptacles } = view.choices;
  at("hookup").replaceChildren(...options(hookups.map((name) => HOOKUPS[name]).filter(Boolean)));
  for (const id of ["lead-a", "lead-b", "load-at"]) {
    at(id).replaceChildren(...options(receptacles.map((name, index) => [String(index + 1), name])));
  }
  showLeads();
}

function showLeads() {
  const two = at("hookup").value === "nn";
  at("lead-b").hidden = at("lead-b-label").hidden = !two;
  setText("lead-a-label", two ? "First lead at" : "Leads at");
}

function fillLeaving() {
  const { receptacles, not_now: away } = view.choices;
  const rows = receptacles.map((name, index) => {
    const box = element("input");
    box.type = "checkbox";
    box.value = String(index + 1);
    box.checked = away.includes(name);
    const label = element("label");
    label.append(box, element("bdi", name));
    return label;
  });
  at("leave-list").replaceChildren(...rows);
}

async function sendChoice() {
  const leads = at("hookup").value === "nn" ? ["lead-a", "lead-b"] : ["lead-a"];
  const fields = ["hookup", ...leads, "load-at"];
  const missing = fields.find((id) => !at(id).value);
  if (missing) {
    setText("answer", "Choose where the leads and the load go.");
    at(missing).focus();
    return;
  }
  const text = fields.map((id) => at(id).value).join(" ");
  if (await send("/key", { key: "choose", step: view.step, text })) goOn("choose");
}

async function sendLeaving() {
  const { receptacles, not_now: away } = view.choices;
  const boxes = [...at("leave-list").querySelectorAll("input")];
  const changed = boxes.filter((box) => box.checked !== away.includes(receptacles[box.value - 1]));
  const text = changed.map((box) => box.value).join(" "); // as in the terminal: out, or in again
  if (!text || (await send("/key", { key: "not-now", step: view.step, text }))) goOn("leave");
}

function goOn(name) {
  closeForm(name);
  window.scrollTo(0, 0);
  at("instruction").focus({ preventScroll: true }); // what is to be done now
}

function playCue() {
  if (!view.cue) return;
  const isNew = heard !== null && view.cue.number > heard;
  heard = view.cue.number;
  if (!isNew) return;
  if (navigator.vibrate) navigator.vibrate(view.cue.sound === "done" ? [120, 80, 120] : 150);
  if (!audio) return;
  const notes = view.cue.sound === "done" ? [660, 880] : [880];
  notes.forEach((hertz, index) => tone(hertz, audio.currentTime + index * 0.22));
}

function tone(hertz, start) {
  const oscillator = audio.createOscillator();
  const gain = audio.createGain();
  oscillator.frequency.value = hertz;
  gain.gain.setValueAtTime(0.4, start);
  gain.gain.exponentialRampToValueAtTime(0.001, start + 0.2);
  oscillator.connect(gain).connect(audio.destination);
  oscillator.start(start);
  oscillator.stop(start + 0.21);
}

function toggleSound() {
  if (audio) {
    audio.close();
    audio = null;
  } else {
    audio = new AudioContext();
    tone(880, audio.currentTime);
  }
  at("sound").textContent = audio ? "Sound is on" : "Sound is off";
  at("sound").setAttribute("aria-pressed", audio ? "true" : "false");
}

function addPoints(more) {
  if (points.length && more[0][0] < points[points.length - 1][0]) points = [];
  points.push(...more);
  const from = points[points.length - 1][0] - TRACE_S;
  points = points.filter(([t]) => t >= from);
  if (!drawing) {
    drawing = true;
    requestAnimationFrame(drawTrace);
  }
}

function drawTrace() {
  drawing = false;
  const canvas = at("trace");
  const scale = window.devicePixelRatio || 1;
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  canvas.width = width * scale;
  canvas.height = height * scale;
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  if (!points.length) return;
  const values = points.map(([, mv]) => mv);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const range = Math.max(high - low, LEAST_RANGE_MV) * 1.15;
  const bottom = (low + high - range) / 2;
  const end = points[points.length - 1][0];
  pen.lineWidth = 2;
  pen.beginPath();
  points.forEach(([t, mv], index) => {
    const x = AXIS_PX + (width - AXIS_PX) * (1 - (end - t) / TRACE_S);
    const y = height * (1 - (mv - bottom) / range);
    if (index) pen.lineTo(x, y);
    else pen.moveTo(x, y);
  });
  pen.stroke();
  pen.font = "13px sans-serif";
  pen.fillText("last minute", AXIS_PX + 6, 15);
  pen.textAlign = "right";
  pen.fillText(inUnits(bottom + range), AXIS_PX - 6, 15);
  pen.fillText(inUnits(bottom), AXIS_PX - 6, height - 6);
  canvas.setAttribute("aria-label", `Trace of the last minute: ${inWords(low)} to ${inWords(high)}`);
}

function inUnits(mv) {
  return Math.abs(mv) >= 10000 ? `${(mv / 1000).toFixed(2)} V` : `${mv.toFixed(0)} mV`;
}

function inWords(mv) {
  return Math.abs(mv) >= 10000 ? `${(mv / 1000).toFixed(1)} volts` : `${mv.toFixed(0)} millivolts`;
}

function take(news) {
  lastNews = Date.now();
  showLink(true);
  if (news.operator !== undefined) operator = news.operator;
  if (news.reading !== undefined) setText("reading", news.reading);
  if (news.points) addPoints(news.points);
  if (news.view) {
    view = news.view;
    showView();
  } else if (news.operator !== undefined && view) {
    showKeys();
    showChoices();
  }
}

function listen() {
  if (source) source.close();
  source = new EventSource("/events");
  source.onmessage = (event) => take(JSON.parse(event.data));
  source.onerror = () => showLink(false);
}

function watchLink() {
  if (Date.now() - lastNews < SILENT_MS) return;
  showLink(false);
  lastNews = Date.now();
  listen(); // a phone that changed its network may not notice that the old stream is dead
}

at("operate").addEventListener("click", () => send("/operate", {}));
at("note-send").addEventListener("click", sendNote);
at("note-cancel").addEventListener("click", closeNote);
at("sound").addEventListener("click", toggleSound);
for (const name of Object.keys(FORMS)) {
  at(`${name}-open`).addEventListener("click", () => openForm(name));
  at(`${name}-cancel`).addEventListener("click", () => backFrom(name));
  at(FORMS[name]).addEventListener("keydown", (event) => {
    if (event.key === "Escape") backFrom(name);
  });
}
at("hookup").addEventListener("change", showLeads);
at("choose-send").addEventListener("click", sendChoice);
at("leave-send").addEventListener("click", sendLeaving);
window.addEventListener("resize", drawTrace);
window.addEventListener("online", listen);
window.addEventListener("offline", () => {
  if (source) source.close();
  showLink(false);
});
setInterval(watchLink, 1000);
listen();
