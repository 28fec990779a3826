// The page of a visit: shows what the laptop says, sends the keys that are tapped.
// Text from the laptop is only ever set as text, never as markup.

const WORDS = { // of each sign; it has a symbol, a plate and a tune of its own as well
  "set-up": "Set up", wait: "Wait", "switch-on": "Switch on", "confirm-load": "Did it run?",
  "switch-off": "Switch off", done: "Done", trouble: "Trouble", settled: "Found",
};
const BIG = new Set(["ready", "load-on", "load-off", "no-load", "keep", "correct"]);
const HALF = new Set(["jump", "no-jump"]);
const LATER = new Set(["note", "repeat"]); // under More
const HOOKUPS = { // what is written before the places, and after them; what the meter is put between
  "neutral-neutral": [["nn", "neutral to neutral"]],
  "neutral-ground": [["ng", "neutral to ground"]],
  "line-drop": [["ld", "hot to neutral"]],
  "path-resistance": [["pr", "ohms between two"]],
  "loop-resistance": ["hot+neutral", "hot+ground", "neutral+ground"].map((side) => [`lr ${side}`, `ohms of ${side.replace("+", " and ")}, linked at the panel`]),
};
const TWO_LEADS = ["nn", "pr"];
const OHMS = /^(pr|lr)/;
const NOTES = { // hertz, seconds: another tune for each sign
  "set-up": [[523, 0.15], [392, 0.25]],
  wait: [[262, 0.12]],
  "switch-on": [[523, 0.12], [659, 0.12], [880, 0.3]],
  "switch-off": [[880, 0.12], [659, 0.12], [440, 0.3]],
  "confirm-load": [[587, 0.15], [587, 0.15], [784, 0.3]],
  done: [[784, 0.12], [1047, 0.35]],
  trouble: [[196, 0.3], [185, 0.3], [196, 0.3]],
  settled: [[523, 0.12], [659, 0.12], [784, 0.12], [1047, 0.5]],
  jump: [[988, 0.08], [988, 0.08]],
};
const BUZZ = { "switch-on": [250], "switch-off": [250, 120, 250], trouble: [500, 150, 500], settled: [100, 80, 100, 80, 300] };
const TRACE_S = 60;
const GAP_S = 3; // a meter is silent for no longer
const LEAST_RANGE_MV = 20; // wander must not look like a jump
const AXIS_PX = 66;
const SILENT_MS = 12000; // the laptop speaks at least every 5 s
const LOST_MS = 4000; // of silence after which the sign says so
const AGAIN_MS = 6000; // the call to switch off is repeated

const at = (id) => document.getElementById(id);
const view = { buttons: [], history: [], map: [], alerts: [], choices: { words: [], hookups: [], receptacles: [], not_now: [] } };
const papers = { shown: 0 };
const queue = []; // taps that wait for the network
let told = false;
let operator = false;
let points = [];
let lastNews = Date.now();
let lostAt = null;
let over = false;
let refused = false;
let edition = null;
let source = null;
let drawing = false;
let asking = null; // what is to be confirmed
let keysShown = "";
let sheet = null;
let sheetShown = "";
let signShown = "";
let fitted = "";
let spoken = "";
let heard = null;
let number = "";
let unit = "";
let sending = false;
let audio = null;
let awake = "After the first tap the screen is kept on, where this browser can.";
let lock = null;

function make(tag, options = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(options)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value !== undefined && value !== false) made.setAttribute(name === "cls" ? "class" : name, value);
  }
  made.append(...children);
  return made;
}

function setText(id, text) {
  if (at(id).textContent === text) return;
  at(id).textContent = text;
  if (id === "answer") fit(); // it takes room from the sign, or gives it back
}

function kept(name, fallback) {
  try { return localStorage.getItem(name) ?? fallback; } catch { return fallback; }
}

function keepSetting(name, value) {
  try { localStorage.setItem(name, value); } catch { /* this time only */ }
}

// -- the sign ------------------------------------------------------------------------------------

function signNow() {
  if (refused) return ["trouble", "Not admitted", "Scan the code that the laptop shows now.", ""];
  if (lostAt && !over && Date.now() - lostAt > LOST_MS) {
    const since = new Date(lostAt).toTimeString().slice(0, 8);
    const why = navigator.onLine
      ? `No word from the laptop since ${since}: it sleeps, left the network, or has stopped.`
      : `This phone has no network since ${since}.`;
    const on = view.sign === "switch-off" || view.change ? " If the load is on, switch it off." : "";
    return ["trouble", "No contact", `${why}${on}`, told ? `Last asked: ${view.instruction}` : ""];
  }
  if (!told) return ["wait", "Wait", "Waiting for the laptop.", ""];
  if (view.stage === "stopped") return ["done", "Finished", view.instruction, view.detail];
  if (view.answer && view.sign === "settled") return ["settled", "Found", view.answer.headline, view.instruction];
  return [view.sign, WORDS[view.sign] || view.sign, view.instruction, view.detail];
}

function showSign() {
  const [sign, word, instruction, detail] = signNow();
  const isNew = signShown !== sign + word;
  document.body.dataset.sign = sign;
  document.body.dataset.step = view.step ?? 0;
  at("symbol").setAttribute("href", `#${sign}`);
  setText("word-text", word);
  setText("instruction", instruction);
  setText("detail", detail || "");
  const alerts = told && sign !== "wait" || view.alerts.length ? view.alerts.filter((text) => text !== instruction && text !== detail) : [];
  if (at("alerts").dataset.shown !== alerts.join("\n")) {
    at("alerts").dataset.shown = alerts.join("\n");
    at("alerts").replaceChildren(...alerts.map((text) => make("p", {}, `! ${text}`)));
  }
  setText("title", view.title || "Visit");
  setText("leads", view.leads || "no test now");
  setText("load", view.load || "no test now");
  at("place").hidden = Boolean(view.answer) && !view.leads && !view.load;
  const down = lostAt || refused;
  setText("link", over ? "✕ the program has ended" : down ? "✕ no contact" : "● connected");
  const texts = JSON.stringify([word, instruction, detail, alerts, view.leads, view.load]);
  if (texts !== fitted) fit(); // not with every reading
  fitted = texts;
  if (told) speak(`${word}. ${instruction}`);
  if (told && isNew) announce(sign);
  signShown = sign + word;
}

function fit() { // as large as there is room for; what matters least goes first
  const box = at("sign");
  for (const tight of ["", "1", "2", "3"]) {
    document.body.dataset.tight = tight;
    for (let size = 1; size > 0.35; size -= 0.05) {
      document.body.style.setProperty("--fit", size.toFixed(2));
      const wide = at("word-text").offsetLeft + at("word-text").offsetWidth > box.clientWidth - 8;
      if (box.scrollHeight <= box.clientHeight && !wide) return;
    }
  }
}

// -- sound, speech, screen -----------------------------------------------------------------------

function announce(sign) {
  play(sign);
  if (navigator.vibrate && BUZZ[sign] && audio) navigator.vibrate(BUZZ[sign]);
}

function speak(text) {
  if (text !== spoken && (kept("voice", "off") === "on" || view.rhythm) && window.speechSynthesis) {
    speechSynthesis.cancel();
    speechSynthesis.speak(new SpeechSynthesisUtterance(text));
  }
  spoken = text;
}

function play(name) {
  if (!audio || kept("sound", "on") !== "on") return;
  let start = audio.currentTime + 0.02;
  for (const [hertz, seconds] of NOTES[name] || []) {
    const tone = audio.createOscillator();
    const gain = audio.createGain();
    tone.type = name === "trouble" ? "sawtooth" : "triangle";
    tone.frequency.value = hertz;
    gain.gain.setValueAtTime(0.5, start);
    gain.gain.exponentialRampToValueAtTime(0.001, start + seconds);
    tone.connect(gain).connect(audio.destination);
    tone.start(start);
    tone.stop(start + seconds);
    start += seconds + 0.03;
  }
}

function firstTap() { // sound and wake lock need a finger first
  if (!audio && window.AudioContext) audio = new AudioContext();
  if (audio && audio.state === "suspended") audio.resume();
  keepAwake();
}

async function keepAwake() {
  if (document.visibilityState !== "visible" || (lock && !lock.released)) return;
  try {
    lock = await navigator.wakeLock.request("screen");
    awake = "The screen is kept on.";
  } catch {
    awake = (await playStill())
      ? "The screen is kept on by a still film. If it goes dark all the same, lengthen its time in the phone's settings."
      : "This browser cannot keep the screen on: lengthen its time in the phone's settings.";
  }
  showSheet();
}

async function playStill() { // without a secure context there is no lock; a playing film does the same
  try {
    if (!at("awake-picture")) {
      const canvas = make("canvas");
      const pen = canvas.getContext("2d");
      pen.fillRect(0, 0, 1, 1);
      const film = make("video", { id: "awake-picture", "aria-hidden": "true", tabindex: "-1" });
      film.muted = film.loop = film.playsInline = true;
      film.srcObject = canvas.captureStream(1);
      setInterval(() => pen.fillRect(0, 0, 1, 1), 1000);
      document.body.prepend(film);
    }
    await at("awake-picture").play();
    return true;
  } catch {
    return false;
  }
}

// -- keys ----------------------------------------------------------------------------------------

function wantedKeys() {
  if (!told || over || refused) return [];
  if (!operator) return [{ id: "operate", label: "Take control", cls: "big", act: () => post("/operate", {}) }];
  if (asking) {
    return [
      { id: "no", label: "No, go back", cls: "half", act: () => ask(null) },
      { id: "yes", label: asking.label, cls: "half sure", act: () => { const { key, text } = asking; ask(null); tap(key, text); } },
    ];
  }
  const shown = view.buttons.filter((button) => !LATER.has(button.key));
  return shown.map((button) => ({
    id: button.key,
    label: button.label,
    live: button.is_live,
    cls: BIG.has(button.key) ? "big" : HALF.has(button.key) ? "half" : button.is_grave ? "grave" : "",
    act: () => choose(button),
  }));
}

function choose(button) {
  if (button.is_grave) ask({ key: button.key, label: `Yes: ${button.label}` });
  else tap(button.key);
}

function showKeys() {
  const stays = asking && (asking.key === "undo"
    ? view.history.some((test) => test.removable && String(test.number) === asking.text)
    : view.buttons.some((button) => button.key === asking.key && `Yes: ${button.label}` === asking.label));
  if (asking && !stays) asking = null; // what was to be confirmed is over
  const wanted = wantedKeys();
  const signature = JSON.stringify(wanted.map(({ id, label, cls }) => [id, label, cls]));
  if (signature !== keysShown) {
    keysShown = signature;
    const focused = document.activeElement?.dataset?.key;
    at("keys").replaceChildren(...wanted.map((key) => freshButton(key.id, key.label, key.cls)));
    if (focused) at("keys").querySelector(`[data-key="${focused}"]`)?.focus();
    fit();
  }
  for (const key of wanted) {
    const button = at("keys").querySelector(`[data-key="${key.id}"]`);
    button.act = key.act;
    button.toggleAttribute("data-dead", key.live === false);
    button.setAttribute("aria-disabled", key.live === false || button.classList.contains("fresh"));
  }
  if (told && !operator && !over) setText("answer", "Another phone is in control.");
  else if (at("answer").textContent === "Another phone is in control.") setText("answer", "");
  showPad();
}

function freshButton(id, label, cls) {
  const button = make("button", { type: "button", "data-key": id, cls: `${cls || ""} fresh`, "aria-disabled": "true", "data-dead-ms": view.dead_ms }, label);
  setTimeout(() => {
    button.classList.remove("fresh");
    if (!button.hasAttribute("data-dead")) button.setAttribute("aria-disabled", "false");
  }, view.dead_ms);
  button.addEventListener("click", () => {
    if (button.classList.contains("fresh") || button.hasAttribute("data-dead")) return;
    button.act();
  });
  return button;
}

function ask(what) {
  asking = what;
  showKeys();
  if (what) closeSheet();
}

// -- taps: kept until the laptop has them --------------------------------------------------------

function tap(key, text) {
  if (queue.some((item) => item.key === key && item.step === view.step && item.text === text)) return Promise.resolve(false);
  setText("answer", "");
  return new Promise((done) => {
    queue.push({ key, text, step: view.step, run: view.run, tries: 0, done });
    sendAll();
  });
}

async function sendAll() {
  if (sending) return;
  sending = true;
  while (queue.length) {
    const item = queue[0];
    const { key, step, run, text } = item;
    item.tries += 1;
    const answer = await post("/key", { key, step, run, ...(text === undefined ? {} : { text }) });
    if (answer === null) break;
    queue.shift();
    item.done(answer === "");
    if (answer && item.tries > 1) setText("answer", `A kept tap was not needed any more. ${answer}`);
  }
  sending = false;
  if (queue.length) {
    const labels = queue.map(({ key }) => view.buttons.find((button) => button.key === key)?.label || key);
    setText("answer", `Kept until there is contact: ${labels.join(", ")}`);
  }
}

async function post(path, body) { // "" when taken, the reason when refused, null without contact
  try {
    const response = await fetch(path, { method: "POST", body: JSON.stringify(body), signal: AbortSignal.timeout(6000) });
    const text = response.ok ? "" : await response.text();
    setText("answer", text);
    return text;
  } catch {
    return null;
  }
}

// -- typed readings ------------------------------------------------------------------------------

function showPad() {
  const wanted = operator && !asking && !over ? view.typed : null;
  at("pad").hidden = !wanted;
  document.body.classList.toggle("typing", Boolean(wanted));
  if (!wanted) {
    at("pad").dataset.shown = "";
    return;
  }
  if (at("pad").dataset.shown === `${view.step}`) return;
  at("pad").dataset.shown = `${view.step}`;
  number = "";
  const units = wanted.unit === "ohm" ? ["ohm"] : wanted.unit === "V" ? ["V", "mV"] : ["mV", "V"];
  if (!units.includes(unit)) unit = units[0];
  const key = (label, act, name) => make("button", { type: "button", onclick: act, "aria-label": name, cls: label === "OK" ? "take" : "" }, label);
  const type = (sign) => () => { if (number.length < 12) number += sign; showNumber(); };
  at("pad").replaceChildren(
    make("output", { "aria-label": wanted.label }),
    ...["7", "8", "9"].map((digit) => key(digit, type(digit))),
    key("⌫", () => { number = number.slice(0, -1); showNumber(); }, "delete"),
    ...["4", "5", "6"].map((digit) => key(digit, type(digit))),
    key("±", () => { number = number.startsWith("-") ? number.slice(1) : `-${number}`; showNumber(); }, "plus or minus"),
    ...["1", "2", "3"].map((digit) => key(digit, type(digit))),
    key(unit, (event) => { unit = units[(units.indexOf(unit) + 1) % units.length]; event.currentTarget.textContent = unit; showNumber(); }),
    key(".", () => { if (!number.includes(".")) number += number && number !== "-" ? "." : "0."; showNumber(); }, "point"),
    key("0", type("0")),
    key("C", () => { number = ""; showNumber(); }, "clear"),
    key("OK", sendNumber),
  );
  showNumber();
  fit();
}

function showNumber() {
  at("pad").firstChild.textContent = `${number.replace("-", "−") || "…"} ${unit}`;
}

async function sendNumber() {
  if (!/\d/.test(number)) { setText("answer", "Type the number that the meter shows."); return; }
  if (await tap(view.typed.word, `${number} ${unit}`)) { number = ""; showNumber(); }
}

function typeKey(event) { // a real keyboard types as well
  if (at("pad").hidden || /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName)) return;
  if (/^\d$/.test(event.key) && number.length < 12) number += event.key;
  else if (/^[.,]$/.test(event.key) && !number.includes(".")) number += ".";
  else if (event.key === "-" && !number) number = "-";
  else if (event.key === "Backspace") number = number.slice(0, -1);
  else if (event.key === "Enter" && document.activeElement.tagName !== "BUTTON") { sendNumber(); return; }
  else return;
  showNumber();
}

// -- sheets: answer, map, tests, and what can be done besides -------------------------------------

function showTabs() {
  const names = [...(view.answer ? ["Answer"] : []), "Map", "Tests", "More"];
  if (at("tabs").dataset.shown !== names.join()) {
    at("tabs").dataset.shown = names.join();
    at("tabs").replaceChildren(...names.map((name) => make("button", { type: "button", id: `tab-${name}`, onclick: () => openSheet(sheet === name ? null : name), "aria-controls": "sheet" }, name)));
  }
  for (const tab of at("tabs").children) tab.setAttribute("aria-expanded", String(tab.id === `tab-${sheet}`));
}

function openSheet(name) {
  sheet = name;
  sheetShown = "";
  document.body.classList.toggle("open", Boolean(name));
  at("sheet").hidden = !name;
  at("sheet").replaceChildren();
  if (name) at("sheet").setAttribute("aria-label", name);
  showTabs();
  showSheet();
  at("sheet").scrollTop = 0;
  fit();
  if (!name) drawTrace();
}

function closeSheet() {
  if (sheet) openSheet(null);
}

const SHEETS = {
  Answer: () => [view.answer, view.stage, papers.shown],
  Map: () => [view.map, view.certainty, papers.shown],
  Tests: () => [view.history, operator],
  More: () => [view.choices, view.buttons.filter(({ key }) => LATER.has(key)), operator, over, view.rhythm, Boolean(view.typed), awake, papers.shown, kept("sound", "on"), kept("voice", "off")],
  Report: () => [papers.shown],
  Label: () => [papers.shown],
};
const FILL = { Answer: fillAnswer, Map: fillMap, Tests: fillTests, More: fillMore, Report: fillReport, Label: fillLabel };

function showSheet() {
  if (!sheet) return;
  const content = `${sheet} ${JSON.stringify(SHEETS[sheet]())}`;
  if (content === sheetShown) return;
  sheetShown = content;
  const focused = document.activeElement?.dataset?.focus;
  const touched = [...at("sheet").querySelectorAll("select, textarea, input")].filter((field) => field.checked !== field.defaultChecked || field.type !== "checkbox");
  const values = new Map(touched.map((field) => [field.id, field.type === "checkbox" ? field.checked : field.value]));
  at("sheet").replaceChildren(...FILL[sheet]());
  for (const [id, value] of values) { // what a person was about to say stays
    const field = id && at(id);
    if (field && field.type === "checkbox") field.checked = value;
    else if (field) field.value = value;
  }
  if (focused) at("sheet").querySelector(`[data-focus="${focused}"]`)?.focus();
}

const heading = (text) => make("h2", {}, text);
const lines = (title, texts, cls = () => "") => (texts && texts.length ? [heading(title), make("ul", {}, ...texts.map((text) => make("li", { cls: cls(text) }, text)))] : []);
const action = (label, act, more = {}) => make("button", { type: "button", onclick: act, "data-focus": label, ...more }, label);

function fillAnswer() {
  const { headline, certainty, check, conditions, joints, doubts, unlikely } = view.answer;
  const weight = (text) => (unlikely?.includes(text) ? "unlikely" : "check");
  return [
    ...(view.stage === "stopped" ? [make("p", { cls: "headline" }, headline)] : []), make("p", {}, certainty),
    ...lines("Check", check), ...lines("Conditions", conditions, weight),
    ...lines("Possible poor connections", joints, weight), ...lines("Tests that look wrong", doubts),
    ...picture(), paperKeys(),
  ];
}

function picture() {
  return papers.mapUrl ? [make("p", { cls: "picture", tabindex: "0", role: "group", "aria-label": "Drawn map" }, make("img", { src: papers.mapUrl, alt: papers.mapText || "Map of the wiring" }))] : [];
}

function paperKeys() {
  const keys = [];
  if (papers.report) keys.push(action("Report", () => openSheet("Report")));
  if (papers.label) keys.push(action("Label", () => openSheet("Label")));
  return make("p", { cls: "row" }, ...keys);
}

function save(text, kind, name) { // a file of the phone, for when this page is closed
  return make("a", { cls: "button", download: name, href: URL.createObjectURL(new Blob([text], { type: kind })) }, `Save ${name}`);
}

function fillReport() {
  const frame = make("iframe", { title: "Report", sandbox: "" });
  frame.srcdoc = papers.report || "";
  return [make("p", { cls: "row" }, save(papers.report || "", "text/html", "report.html"), action("Back", () => openSheet("Map"))), frame];
}

function fillLabel() {
  return [make("pre", {}, papers.label || ""), make("p", { cls: "row" }, save(papers.label || "", "text/plain", "label.txt"), action("Back", () => openSheet("Map")))];
}

function fillMap() {
  const rows = view.map.map((row) => {
    const item = make("li", { cls: `lane-${Math.min(row.lane, 3)}` }, make("bdi", {}, row.name));
    if (row.kind === "splice") item.append(" (joint without a receptacle)");
    if (row.fed_from) item.append(", fed from ", make("bdi", {}, row.fed_from), `: ${row.sure}`);
    else if (row.sure) item.append(`, ${row.sure}`);
    return item;
  });
  return [make("p", {}, make("strong", {}, view.certainty || "No test yet.")), ...picture(), paperKeys(), heading("In words"), make("ol", { id: "map" }, ...rows)];
}

function fillTests() {
  if (!view.history.length) return [make("p", {}, "No test yet.")];
  return [make("ul", {}, ...view.history.map((test) => {
    const item = make("li", { cls: test.removed ? "past removed" : "past" }, make("strong", {}, `Test ${test.number}: ${test.verdict}`), make("p", {}, test.words));
    if (test.removable && operator) item.append(action(`Undo test ${test.number}`, () => ask({ key: "undo", text: String(test.number), label: `Yes: undo test ${test.number}` })));
    return item;
  }))];
}

function fillMore() {
  const parts = [];
  if (operator && !over) {
    parts.push(make("p", { cls: "row" }, ...view.buttons.filter(({ key }) => key === "repeat").map((button) => action(button.label, () => { closeSheet(); choose(button); }))));
    if (!view.typed) parts.push(make("p", { cls: "row" }, action(`Call out when to switch: ${view.rhythm ? "on" : "off"}`, () => tap("rhythm"))));
    if (view.choices.words.includes("choose")) parts.push(choosing());
    if (view.choices.words.includes("not-now")) parts.push(skipping());
    if (view.buttons.some(({ key }) => key === "note")) parts.push(noting());
  }
  const toggle = (name, key, fallback) => action(`${name}: ${kept(key, fallback)}`, () => { keepSetting(key, kept(key, fallback) === "on" ? "off" : "on"); showSheet(); play("done"); }, { "data-focus": key });
  parts.push(heading("This phone"), make("p", { cls: "row" }, toggle("Sound", "sound", "on"), ...(window.speechSynthesis ? [toggle("Voice", "voice", "off")] : [])), make("p", {}, awake), paperKeys());
  return parts;
}

function field(id, label, pairs) {
  const list = make("select", { id }, ...[["", "choose"], ...pairs].map(([value, text]) => make("option", { value }, text)));
  return make("div", {}, make("label", { for: id }, label), list);
}

function choosing() {
  const { hookups, receptacles } = view.choices;
  const places = receptacles.map((name, index) => [String(index + 1), name]);
  const second = field("lead-b", "Second lead at", places), load = field("load-at", "Load at", places);
  const form = make("div", { cls: "form", role: "group", "aria-label": "Pick a test" }, heading("Pick a test"),
    field("hookup", "Meter", hookups.flatMap((name) => HOOKUPS[name] || [])),
    field("lead-a", "Leads at", places), second, load, action("Take this test", sendChoice));
  const show = () => {
    const hookup = at("hookup")?.value;
    second.hidden = !TWO_LEADS.includes(hookup);
    load.hidden = OHMS.test(hookup);
    second.querySelector("option").textContent = hookup === "pr" ? "the panel" : "choose";
  };
  form.addEventListener("change", show);
  second.hidden = true;
  requestAnimationFrame(show);
  return form;
}

async function sendChoice() {
  const hookup = at("hookup").value;
  const [word, side = ""] = hookup.split(" ");
  const fields = ["lead-a", ...(TWO_LEADS.includes(hookup) ? ["lead-b"] : []), ...(OHMS.test(hookup) ? [] : ["load-at"])];
  const missing = ["hookup", ...fields].find((id) => !at(id).value && !(id === "lead-b" && hookup === "pr")); // the panel
  if (missing) {
    setText("answer", "Choose where the leads and the load go.");
    at(missing).focus();
  } else if (await tap("choose", [word, ...fields.map((id) => at(id).value), side].filter(Boolean).join(" "))) goOn();
}

function skipping() {
  const { receptacles, not_now: away } = view.choices;
  const boxes = receptacles.map((name, index) => {
    const box = make("input", { type: "checkbox", id: `skip-${index + 1}`, value: String(index + 1), checked: away.includes(name) && "" });
    return make("label", { cls: "tick" }, box, make("bdi", {}, name));
  });
  return make("fieldset", { cls: "form", id: "skipping" }, make("legend", {}, "Skip receptacles: can't reach"), ...boxes, action("Save", sendSkipped));
}

async function sendSkipped() {
  const { receptacles, not_now: away } = view.choices;
  const changed = [...at("skipping").querySelectorAll("input")].filter((box) => box.checked !== away.includes(receptacles[box.value - 1]));
  const text = changed.map((box) => box.value).join(" "); // out, or in again
  if (!text || (await tap("not-now", text))) goOn();
}

function noting() {
  return make("div", { cls: "form" }, make("label", { for: "note" }, "Note for the log"), make("textarea", { id: "note", rows: "2", maxlength: "500" }), action("Save note", async () => {
    if (await tap("note", at("note").value)) { at("note").value = ""; goOn(); }
  }));
}

function goOn() {
  closeSheet();
  at("sign").focus(); // what is to be done now
}

// -- meter ---------------------------------------------------------------------------------------

function showMeter() {
  at("meter").hidden = told && !view.reading;
  setText("reading", view.reading || "no reading");
  const levels = [["idle", view.idle], ["jump", view.change], ["drop", view.drop]].filter(([, text]) => text);
  if (at("levels").dataset.shown === JSON.stringify(levels)) return;
  at("levels").dataset.shown = JSON.stringify(levels);
  at("levels").replaceChildren(...levels.map(([label, text]) => make("div", {}, make("dt", {}, label), make("dd", {}, text))));
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
  if (!points.length || !width) return;
  canvas.width = width * scale;
  canvas.height = height * scale;
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  pen.strokeStyle = pen.fillStyle = getComputedStyle(canvas).color;
  const values = points.map(([, mv]) => mv);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const range = Math.max(high - low, LEAST_RANGE_MV) * 1.2;
  const bottom = (low + high - range) / 2;
  const end = points[points.length - 1][0];
  pen.lineWidth = 2.5;
  pen.beginPath();
  points.forEach(([t, mv], index) => {
    const x = AXIS_PX + (width - AXIS_PX - 2) * (1 - (end - t) / TRACE_S);
    const y = height * (1 - (mv - bottom) / range);
    if (index && t - points[index - 1][0] < GAP_S) pen.lineTo(x, y);
    else pen.moveTo(x, y); // nothing came for a while: a gap is seen as a gap
  });
  pen.stroke();
  pen.font = "13px sans-serif";
  pen.textAlign = "right";
  pen.fillText(inUnits(high), AXIS_PX - 6, 12);
  pen.fillText(inUnits(low), AXIS_PX - 6, height - 3);
  canvas.setAttribute("aria-label", `Trace of the last minute: ${inUnits(low)} to ${inUnits(high)}`);
}

function inUnits(mv) {
  return Math.abs(mv) >= 10000 ? `${(mv / 1000).toFixed(1)} V` : `${mv.toFixed(0)} mV`;
}

// -- news from the laptop ------------------------------------------------------------------------

function take(news) {
  lastNews = Date.now();
  if (news.edition) {
    if (edition && edition !== news.edition) location.reload(); // the program was renewed
    edition = news.edition;
    return;
  }
  const back = lostAt !== null || over;
  lostAt = null;
  over = Boolean(news.over);
  refused = false;
  if (news.operator !== undefined) operator = news.operator;
  if (news.view) takeView(news.view);
  if (news.points) addPoints(news.points);
  if (news.over) source.close();
  if (back || news.view || news.over || news.operator !== undefined) show();
  if (back) sendAll();
}

function takeView(changed) {
  if (changed.run && view.run && changed.run !== view.run) { // taps for the run before mean nothing
    points = [];
    asking = null;
    for (const item of queue.splice(0)) item.done(false);
    setText("answer", "The program was started again; look at what it asks now.");
  }
  const hadAnswer = Boolean(view.answer);
  Object.assign(view, changed);
  told = view.step !== undefined;
  if (changed.papers) takePapers(...changed.papers);
  if (view.answer && !hadAnswer) openSheet("Answer");
  if (!view.answer && sheet === "Answer") closeSheet();
  if (view.cue && heard !== null && view.cue.number > heard && view.cue.sound === "jump") play("jump");
  heard = view.cue ? view.cue.number : 0;
}

async function takePapers(edition, ...names) { // kept here: they stay when the program has ended
  const paths = { map_svg: "/map.svg", report: "/report.html", label: "/label.txt" };
  for (const name of names) {
    try {
      const response = await fetch(paths[name]);
      if (response.ok) papers[name] = await response.text();
    } catch { /* the next news brings it again */ }
  }
  if (papers.map_svg) {
    if (papers.mapUrl) URL.revokeObjectURL(papers.mapUrl);
    papers.mapUrl = URL.createObjectURL(new Blob([papers.map_svg], { type: "image/svg+xml" }));
    papers.mapText = new DOMParser().parseFromString(papers.map_svg, "image/svg+xml").querySelector("desc")?.textContent;
  }
  papers.shown = edition;
  showSheet();
}

function show() {
  showMeter();
  showKeys();
  showTabs();
  showSheet();
  showSign();
}

function listen() {
  if (source) source.close();
  source = new EventSource("/events");
  source.onmessage = (event) => take(JSON.parse(event.data));
  source.onerror = lose;
}

async function lose() {
  lostAt ??= Date.now();
  if (source.readyState === EventSource.CLOSED) {
    try { refused = (await fetch("/", { method: "HEAD" })).status === 403; } catch { refused = false; }
  }
  showSign();
}

function watchLink() {
  if (Date.now() - lastNews > SILENT_MS) {
    lastNews = Date.now();
    lose();
    listen(); // a phone that changed its network may not notice that the old stream is dead
  } else if (lostAt) showSign();
  if (queue.length && !lostAt) sendAll();
}

addEventListener("pointerdown", firstTap);
addEventListener("keydown", (event) => { firstTap(); typeKey(event); if (event.key === "Escape") closeSheet(); });
addEventListener("resize", () => { fit(); drawTrace(); });
addEventListener("online", listen);
addEventListener("offline", () => { source.close(); lose(); });
document.addEventListener("visibilitychange", () => { if (audio) keepAwake(); });
setInterval(watchLink, 1000);
setInterval(() => { if (["switch-off", "confirm-load"].includes(document.body.dataset.sign)) play("switch-off"); }, AGAIN_MS);
showTabs();
fit();
listen();
