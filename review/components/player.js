// The video and its timeline on one clock. Python sends plain data; what the trainer does goes
// back as a list of numbered actions that stays until Python has confirmed each of them.

const FLAG_ROWS = 2;
const MARK_PX = 26;
const FOLD_PX = 40;
const COUNT_PX = 15;
const EDGE_PX = 24;
const STEP_S = 0.1;
const HOLD_FACE_S = 1.5;
const BONES = [
  [0, 1, 2, 3, 4], [0, 5, 6, 7, 8], [5, 9, 10, 11, 12], [9, 13, 14, 15, 16],
  [13, 17, 18, 19, 20], [0, 17],
];

export function clock(time) {
  const tenths = Math.round(time * 10);
  const s = Math.floor(tenths / 10) % 60;
  const m = Math.floor(tenths / 600) % 60;
  const h = Math.floor(tenths / 36000);
  const two = (n) => String(n).padStart(2, "0");
  const rest = `${two(s)}.${tenths % 10}`;
  return h ? `${h}:${two(m)}:${rest}` : `${m}:${rest}`;
}

function el(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value != null) made.setAttribute(name, value);
  }
  made.append(...children.filter((child) => child != null));
  return made;
}

const clamp = (x, low, high) => Math.min(Math.max(x, low), high);

class Player {
  constructor(root) {
    this.root = root;
    this.data = null;
    this.key = null;
    this.zoom = 1;
    this.only = false;
    this.drag = null;
    this.points = null;
    this.show = { hands: false, face: false };
    this.outbox = [];
    this.sent = 0;
    this.client = Math.random().toString(36).slice(2);
    this.drafts = new Map();
    this.writing = false;
    this.host = el("div", { class: "player" });
    root.append(this.host);
    this.tick = this.tick.bind(this);
  }

  // --- what Python sends -------------------------------------------------------------------

  update(component) {
    const { data, setStateValue } = component;
    this.setState = setStateValue;
    const fresh = this.data === null || this.data.recording !== data.recording;
    const changed = fresh || this.data.stamp !== data.stamp;
    const before = this.data;
    this.data = data;
    this.w = data.words;
    this.confirm(data.confirmed);
    if (fresh) {
      this.build();
      this.key = data.items.length ? data.items[0].key : null;
      this.recall();
    }
    this.source(data.video);
    if (changed) {
      this.keepKey(before);
      this.drawTimeline();
      this.drawPanel();
    }
    this.say(data.notice);
  }

  confirm(confirmed) {
    if (!confirmed || confirmed.client !== this.client) return;
    this.outbox = this.outbox.filter((action) => action.n > confirmed.n);
  }

  keepKey(before) {
    const items = this.data.items;
    if (items.some((item) => item.key === this.key)) return;
    const old = before && before.items && before.items.find((item) => item.key === this.key);
    if (!items.length) this.key = null;
    else if (!old) this.key = items[0].key;
    else {
      const near = (item) => Math.abs(item.start - old.start) + (item.title === old.title ? 0 : 1e4);
      this.key = [...items].sort((a, b) => near(a) - near(b))[0].key;
    }
  }

  send(action) {
    if (!this.data.may_act) {
      this.status(this.w.who_first, false);
      return false;
    }
    this.sent += 1;
    this.moved = false;
    this.outbox.push({ n: this.sent, ...action });
    this.status(this.w.saving, true);
    this.setState("outbox", { client: this.client, actions: this.outbox });
    return true;
  }

  say(notice) {
    if (!notice || notice.client !== this.client || notice.n === this.told) return;
    this.told = notice.n;
    this.status(notice.words, notice.ok);
    if (!notice.ok) this.drawTimeline();
  }

  status(words, ok) {
    this.statusLine.textContent = words;
    this.statusLine.classList.toggle("trouble", !ok);
    if (!ok) this.moved = false;
    this.undoMove.hidden = !this.moved || words === this.w.saving;
  }

  // The place in the recording outlives a reload of the page, in this browser tab only.
  get memory() { return `review-${this.data.recording}`; }

  remember() {
    try {
      const drafts = [...this.drafts];
      sessionStorage.setItem(this.memory, JSON.stringify({
        key: this.key, time: this.video.currentTime, drafts,
      }));
    } catch { /* a browser may forbid it; nothing depends on it */ }
  }

  recall() {
    try {
      const kept = JSON.parse(sessionStorage.getItem(this.memory) || "{}");
      if (this.data.items.some((item) => item.key === kept.key)) this.key = kept.key;
      this.drafts = new Map(kept.drafts || []);
      this.startAt = kept.time || 0;
    } catch { this.startAt = 0; }
  }

  // --- the frame of it ---------------------------------------------------------------------

  build() {
    const w = this.w;
    this.video = el("video", {
      playsinline: true, preload: "auto", tabindex: "-1", "aria-label": w.video,
      disablepictureinpicture: true, controlslist: "nodownload",
    });
    this.video.muted = !this.data.sound;
    this.canvas = el("canvas", { "aria-hidden": "true" });
    this.cover = el("div", { class: "cover", hidden: true });
    this.noVideo = el("p", { class: "no-video", hidden: true });
    this.screen = el("div", { class: "screen" }, this.video, this.canvas, this.cover, this.noVideo);
    this.screen.addEventListener("click", () => this.toggle());

    const button = (words, act, extra = {}) =>
      el("button", { type: "button", onclick: act, ...extra }, words);
    this.playButton = button(w.play, () => this.toggle(), { class: "main" });
    this.timeText = el("span", { class: "time" });
    this.nowText = el("span", { class: "now" });
    this.speed = el("select", { "aria-label": w.speed, title: w.speed,
      onchange: () => { this.video.playbackRate = Number(this.speed.value); } },
      ...[0.25, 0.5, 1, 1.5, 2, 4].map((x) => el("option", { value: x, selected: x === 1 }, `${x}×`)));
    this.onlyButton = button(w.only, () => this.playOnly(!this.only), { "aria-pressed": "false" });
    this.handsButton = button(w.hands_shown, () => this.showPoints("hands"),
      { class: "small", "aria-pressed": "false" });
    this.faceButton = button(w.face_covered, () => this.showPoints("face"),
      { class: "small", "aria-pressed": "false", title: w.face_note });
    this.soundButton = this.data.sound
      ? button(w.sound, () => this.toggleSound(), { "aria-pressed": "true" }) : null;
    const controls = el("div", { class: "controls", role: "group", "aria-label": w.controls },
      this.playButton,
      button(w.back_3, () => this.seek(this.time - 3)),
      button("‹", () => this.seek(this.time - this.data.frame_s), { "aria-label": w.frame_back, title: w.frame_back }),
      button("›", () => this.seek(this.time + this.data.frame_s), { "aria-label": w.frame_on, title: w.frame_on }),
      this.speed, this.onlyButton, this.soundButton);

    this.panel = el("section", { class: "panel", "aria-label": w.panel });
    this.statusLine = el("span", { class: "status", role: "status", "aria-live": "polite" });
    this.undoMove = button(w.undo_move, () => this.moveBack(), { class: "small", hidden: true });
    const foot = el("div", { class: "foot" }, this.statusLine, this.undoMove);
    const side = el("div", { class: "side" }, this.panel, foot);

    this.bars = new Map();
    this.lanesDrawn = null;
    this.names = el("div", { class: "names", "aria-hidden": "true" });
    this.playhead = el("div", { class: "playhead", "aria-hidden": "true" });
    this.track = el("div", { class: "track" }, this.playhead);
    this.view = el("div", { class: "view" }, this.track);
    this.lanes = el("div", { class: "lanes" }, this.names, this.view);
    this.zoomText = el("span", { class: "visually-hidden", role: "status" });
    const zooms = el("div", { class: "zooms", role: "group", "aria-label": w.zoom },
      this.timeText, this.nowText,
      el("span", { class: "gap" }), this.handsButton, this.faceButton,
      button(w.mark, () => this.openMark(), { class: "small" }),
      button("−", () => this.zoomTo(this.zoom / 2), { class: "small", "aria-label": w.zoom_out, title: w.zoom_out }),
      button("+", () => this.zoomTo(this.zoom * 2), { class: "small", "aria-label": w.zoom_in, title: w.zoom_in }),
      this.zoomText);
    const timeline = el("section", { class: "timeline", "aria-label": w.timeline }, zooms, this.lanes);

    this.host.replaceChildren(
      el("div", { class: "stage" }, this.screen, controls), side, timeline);
    this.host.onkeydown = (event) => this.onKey(event);
    for (const name of ["play", "pause", "ended", "seeked", "ratechange"])
      this.video.addEventListener(name, () => this.follow());
    this.video.addEventListener("loadedmetadata", () => {
      if (this.startAt) { this.video.currentTime = this.startAt; this.startAt = 0; }
      this.follow();
    });
    this.video.addEventListener("error", () => this.trouble());
    this.sizes = new ResizeObserver(() => { this.placeMarks(); this.drawPoints(); });
    this.sizes.observe(this.view);
    this.sizes.observe(this.screen);
  }

  source(address) {
    if (address && this.video.getAttribute("src") !== address) {
      this.startAt = this.startAt || this.video.currentTime || 0;
      this.video.setAttribute("src", address);
    }
    this.noVideo.hidden = Boolean(address);
    this.noVideo.textContent = address ? "" : this.w.no_video;
  }

  trouble() {
    this.noVideo.hidden = false;
    this.noVideo.textContent = this.w.video_trouble;
  }

  get time() { return this.video.currentTime || 0; }
  get duration() { return this.data.duration; }

  seek(time) {
    this.video.currentTime = clamp(time, 0, Math.max(this.duration - 0.05, 0));
    this.follow();
  }

  play() {
    const started = this.video.play();
    if (started) started.catch(() => this.follow());
  }

  toggle() {
    if (this.video.paused) this.play();
    else this.video.pause();
  }

  toggleSound() {
    this.video.muted = !this.video.muted;
    this.soundButton.setAttribute("aria-pressed", String(!this.video.muted));
  }

  // --- the clock ---------------------------------------------------------------------------

  follow() {
    const playing = !this.video.paused && !this.video.ended;
    this.playButton.textContent = playing ? this.w.pause : this.w.play;
    this.paint();
    if (!playing) this.remember();
    if (playing && !this.running) {
      this.running = true;
      requestAnimationFrame(this.tick);
    }
  }

  tick() {
    this.running = !this.video.paused && !this.video.ended && this.host.isConnected;
    this.skip();
    this.paint();
    if (this.running) requestAnimationFrame(this.tick);
  }

  paint() {
    const time = this.time;
    const share = (100 * time) / this.duration;
    this.playhead.style.left = `${share}%`;
    const text = `${clock(time)} / ${clock(this.duration)}`;
    if (this.timeText.textContent !== text) this.timeText.textContent = text;
    const now = this.nowWords(time);
    if (this.nowText.textContent !== now) this.nowText.textContent = now;
    if (this.axis) {
      this.axis.setAttribute("aria-valuenow", time.toFixed(1));
      this.axis.setAttribute("aria-valuetext", `${clock(time)}, ${now}`);
    }
    this.keepInView();
    this.drawPoints();
  }

  nowWords(time) {
    const at = (rows) => rows && rows.find((row) => row[0] <= time && time < row[1]);
    const phase = this.data.phases.find((p) => p.start <= time && time < p.end);
    const open = this.data.open.find((p) => p.start <= time && time < p.end);
    const lanes = this.data.lanes;
    const surface = lanes && at(lanes.surfaces);
    const hands = lanes && at(lanes.hands);
    const mouth = lanes && at(lanes.mouth);
    return [
      phase && phase.label, surface && this.data.surface_names[surface[2]],
      open && this.w.line_open, hands && this.w[`hands_${hands[2]}`],
      mouth && this.w[`mouth_${mouth[2]}`],
    ].filter(Boolean).join(" · ");
  }

  keepInView() {
    if (this.zoom === 1 || this.video.paused) return;
    const x = (this.time / this.duration) * this.track.clientWidth;
    const width = this.view.clientWidth;
    if (x < this.view.scrollLeft || x > this.view.scrollLeft + width - 30)
      this.view.scrollLeft = Math.max(0, x - width * 0.2);
  }

  playOnly(on) {
    this.only = on && this.data.stops.length > 0;
    this.onlyButton.setAttribute("aria-pressed", String(this.only));
    if (!this.only) { this.video.pause(); return; }
    const inside = this.data.stops.some(([a, b]) => a <= this.time && this.time < b - 0.2);
    if (!inside) {
      const next = this.data.stops.find(([a]) => a >= this.time) || this.data.stops[0];
      this.seek(next[0]);
    }
    this.play();
  }

  skip() {
    if (!this.only || this.video.paused || this.video.seeking) return;
    const stops = this.data.stops;
    const place = stops.findIndex(([a, b]) => this.time < b);
    if (place < 0) { this.playOnly(false); this.status(this.w.only_done, true); return; }
    if (this.time < stops[place][0] - 0.05) this.seek(stops[place][0]);
    const item = this.data.items.find((i) =>
      i.start - this.data.lead <= this.time && this.time < i.start - this.data.lead + 0.3);
    if (item && item.key !== this.key) this.select(item.key, false);
  }

  // --- walking -----------------------------------------------------------------------------

  get place() { return this.data.items.findIndex((item) => item.key === this.key); }

  select(key, play, focus = false) {
    this.key = key;
    this.writing = false;
    this.drawPanel();
    this.placeMarks();
    const item = this.data.items[this.place];
    if (item && play) {
      if (this.only) this.playOnly(false);
      this.seek(Math.max(item.start - this.data.lead, 0));
      this.play();
    }
    if (focus) {
      const mark = this.marks && this.marks.querySelector('[aria-current="true"]');
      if (mark) mark.focus({ preventScroll: false });
    }
    this.remember();
  }

  walk(step, focus) {
    const items = this.data.items;
    if (!items.length) return;
    const place = this.place < 0 ? 0 : clamp(this.place + step, 0, items.length - 1);
    this.select(items[place].key, true, focus);
  }

  onKey(event) {
    event.stopPropagation();
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const target = event.composedPath()[0];
    const tag = target.tagName;
    if (tag === "TEXTAREA" || tag === "SELECT" || tag === "INPUT") return;
    if (target.getAttribute("role") === "slider") return;
    const onMark = target.classList.contains("mark");
    const acts = {
      ArrowRight: () => this.walk(1, onMark), ArrowDown: () => this.walk(1, onMark),
      ArrowLeft: () => this.walk(-1, onMark), ArrowUp: () => this.walk(-1, onMark),
      Home: () => this.walk(-1e6, onMark), End: () => this.walk(1e6, onMark),
      a: () => this.decide("agree"), d: () => this.decide("disagree"),
      u: () => this.decide("unsure"), m: () => this.openMark(),
      k: () => this.toggle(),
    };
    if (event.key === " " && tag !== "BUTTON") acts[" "] = () => this.toggle();
    const act = acts[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (act) { event.preventDefault(); act(); }
  }

  // --- deciding ----------------------------------------------------------------------------

  decide(verdict) {
    const item = this.data.items[this.place];
    if (!item || item.kind !== "flag") return;
    const box = this.panel.querySelector("textarea.comment");
    const comment = box ? box.value : item.comment || "";
    if (this.send({ do: "decide", key: item.key, verdict, comment })) {
      item.verdict = verdict;
      item.comment = comment;
      this.drafts.delete(item.key);
      this.pressVerdict(verdict);
      this.placeMarks();
    }
  }

  pressVerdict(verdict) {
    for (const button of this.panel.querySelectorAll(".verdict"))
      button.setAttribute("aria-pressed", String(button.dataset.verdict === verdict));
  }

  drawPanel() {
    const w = this.w;
    const items = this.data.items;
    const item = items[this.place];
    const active = this.root.activeElement;
    const held = active && this.panel.contains(active) ? active.dataset.name : null;
    const button = (words, act, extra = {}) =>
      el("button", { type: "button", onclick: act, "data-name": words, ...extra }, words);
    const head = el("div", { class: "head" },
      el("span", { class: "count" }, item ? w.count.replace("{n}", this.place + 1)
        .replace("{of}", items.length) : w.nothing_flagged),
      item && !this.writing ? this.timesLine(item) : null,
      el("span", { class: "gap" }),
      button(w.previous, () => this.walk(-1), { class: "small", disabled: this.place <= 0 }),
      button(w.next, () => this.walk(1),
        { class: "small", disabled: this.place < 0 || this.place >= items.length - 1 }));
    const parts = [head];
    if (this.writing) parts.push(this.markForm());
    else if (!item) parts.push(el("p", {}, w.nothing_flagged_note));
    else if (item.kind === "moment") parts.push(...this.momentParts(item, button));
    else parts.push(...this.flagParts(item, button));
    this.panel.replaceChildren(...parts);
    if (held) {
      const again = this.panel.querySelector(`[data-name="${CSS.escape(held)}"]`);
      if (again && !again.disabled) again.focus({ preventScroll: true });
    }
  }

  titleLine(item, button) {
    return el("div", { class: "title" },
      el("span", { class: `sign ${item.level}`, "aria-hidden": "true" }, item.sign),
      el("h3", {}, item.title), el("span", { class: "gap" }),
      button(`${this.w.play_moment} ${clock(item.start)}`, () => this.select(item.key, true),
        { class: "small" }));
  }

  timesLine(item) {
    const words = [item.level_words, `${clock(item.start)} – ${clock(item.end)}`, item.sure];
    return el("span", { class: "times" }, words.filter(Boolean).join(" · "));
  }

  flagParts(item, button) {
    const w = this.w;
    const draft = this.drafts.has(item.key) ? this.drafts.get(item.key) : item.comment || "";
    const box = el("textarea", { class: "comment", rows: 1, "aria-label": w.comment,
      placeholder: w.comment, "data-name": "comment" });
    box.value = draft;
    const keep = button(w.save_comment, () => this.decide(item.verdict), { class: "small" });
    const sync = () => {
      const edited = box.value !== (item.comment || "");
      keep.hidden = !(edited && item.verdict);
      hint.hidden = !(edited && !item.verdict);
    };
    const hint = el("span", { class: "hint" }, w.comment_hint);
    box.addEventListener("input", () => {
      this.drafts.set(item.key, box.value);
      this.remember();
      sync();
    });
    const verdicts = el("div", { class: "verdicts", role: "group", "aria-label": w.verdicts },
      ...["agree", "disagree", "unsure"].map((verdict) => el("button", {
        type: "button", class: "verdict", "data-verdict": verdict, "data-name": verdict,
        "aria-pressed": String(item.verdict === verdict), title: w[`${verdict}_note`],
        onclick: () => this.decide(verdict),
      }, el("span", { class: "tick", "aria-hidden": "true" }, w[`${verdict}_sign`]), w[verdict])));
    const saved = item.verdict && item.when
      ? el("p", { class: "saved" }, el("span", {}, item.when),
        button(w.undo, () => this.send({ do: "undo", key: item.key }), { class: "small" }))
      : el("p", { class: "saved" }, w.undecided);
    sync();
    return [this.titleLine(item, button),
      el("p", { class: "reason", tabindex: "0" }, item.text), verdicts, box,
      el("div", { class: "row" }, keep, hint), saved];
  }

  momentParts(item, button) {
    return [this.titleLine(item, button), el("p", { class: "reason", tabindex: "0" }, item.text),
      el("p", { class: "saved" }, el("span", {}, item.when),
        button(this.w.remove_moment, () => this.send({ do: "remove_moment", key: item.key }),
          { class: "small" }))];
  }

  openMark() {
    this.video.pause();
    this.markAt = this.time;
    this.writing = true;
    this.drawPanel();
    this.panel.querySelector("textarea").focus();
  }

  markForm() {
    const w = this.w;
    const box = el("textarea", { rows: 3, "aria-label": w.mark_what, placeholder: w.mark_what });
    const close = () => { this.writing = false; this.drawPanel(); };
    const save = () => {
      if (!box.value.trim()) { this.status(w.mark_empty, false); box.focus(); return; }
      if (this.send({ do: "moment", at: this.markAt, text: box.value })) close();
    };
    box.addEventListener("keydown", (event) => {
      if (event.key === "Escape") close();
      if (event.key === "Enter" && !event.shiftKey) { event.preventDefault(); save(); }
    });
    return el("div", { class: "form" },
      el("h3", {}, w.mark_title.replace("{at}", clock(this.markAt))), box,
      el("div", { class: "row" },
        el("button", { type: "button", class: "main", onclick: save }, w.save),
        el("button", { type: "button", onclick: close }, w.cancel)));
  }

  // --- the timeline ------------------------------------------------------------------------

  x(time) { return `${(100 * clamp(time / this.duration, 0, 1)).toFixed(4)}%`; }
  width(a, b) { return `${((100 * Math.max(b - a, 0)) / this.duration).toFixed(4)}%`; }

  lane(name, label, note, ...children) {
    const bar = el("div", { class: `bar ${name}` }, ...children);
    bar.addEventListener("click", (event) => {
      if (event.target.closest("button, [role=slider]") || this.drag) return;
      this.seek(this.timeAt(event.clientX));
    });
    const old = this.bars.get(name);
    if (old) old.replaceWith(bar);
    else {
      this.names.append(el("div", { class: `name ${name}`, title: note || "" }, label));
      this.track.insertBefore(bar, this.playhead);
    }
    this.bars.set(name, bar);
    return bar;
  }

  timeAt(clientX) {
    const box = this.track.getBoundingClientRect();
    return clamp((clientX - box.left) / box.width, 0, 1) * this.duration;
  }

  drawTimeline() {
    if (this.drag) return;
    const active = this.root.activeElement;
    const held = active && this.lanes.contains(active) ? active.dataset.edge : null;
    const onMark = active && active.classList && active.classList.contains("mark");
    this.track.style.width = `${100 * this.zoom}%`;
    this.marks = this.lane("marks", this.w.lane_flags, "");
    this.marks.setAttribute("role", "group");
    this.marks.setAttribute("aria-label", this.w.marks);
    this.drawMarks();
    this.drawPhases();
    this.drawOpen();
    this.drawLanes();
    this.drawAxis();
    this.placeMarks();
    this.paint();
    if (held) this.refocus(held);
    if (onMark) this.select(this.key, false, true);
  }

  refocus(held) {
    const [lane, side, at] = held.split("|");
    const edges = [...this.track.querySelectorAll("[data-edge]")]
      .filter((edge) => edge.dataset.edge.startsWith(`${lane}|${side}|`));
    const aim = this.aim != null ? this.aim : Number(at);
    const far = (edge) => Math.abs(Number(edge.dataset.edge.split("|")[2]) - aim);
    edges.sort((a, b) => far(a) - far(b));
    if (edges[0]) edges[0].focus({ preventScroll: true });
    this.aim = null;
  }

  drawMarks() {
    const items = this.data.items;
    this.marks.replaceChildren(...items.map((item, place) => el("button", {
      type: "button", class: `mark ${item.level}`, "data-key": item.key,
      onclick: () => this.select(item.key, true), title: `${item.title}, ${clock(item.start)}`,
      "aria-label": this.markWords(item, place),
    })));
  }

  markWords(item, place) {
    const decided = item.kind === "flag"
      ? `, ${item.verdict ? this.w[`${item.verdict}_done`] : this.w.undecided}` : "";
    return `${place + 1}: ${item.level_words}: ${item.title}, ${clock(item.start)}${decided}`;
  }

  placeMarks() {
    if (!this.marks || !this.marks.isConnected) return;
    const width = this.track.clientWidth || 1;
    const ends = Array(FLAG_ROWS).fill(-1e9);
    const buttons = [...this.marks.querySelectorAll(".mark")];
    // Where not all find room, the counts of folded ones need some, too.
    const crowded = this.data.items.length * (MARK_PX + 1) > FLAG_ROWS * width;
    const wide = MARK_PX + (crowded ? COUNT_PX : 1);
    let highest = 0;
    let shown = null;
    this.data.items.forEach((item, place) => {
      const button = buttons[place];
      if (!button) return;
      const current = item.key === this.key;
      const at = clamp((item.start / this.duration) * width, 0, width - MARK_PX);
      const row = ends.indexOf(Math.min(...ends));
      const free = ends.findIndex((end) => end <= at);
      const [x, y] = free >= 0 ? [at, free] : [Math.min(ends[row], width - MARK_PX), row];
      // Where there is no room near its time a mark is folded into the one before it.
      const folded = x < ends[y] || x - at > FOLD_PX;
      if (!folded) { ends[y] = x + wide; highest = Math.max(highest, y); shown = button; }
      if (folded && shown) shown.dataset.more = Number(shown.dataset.more || 0) + 1;
      delete button.dataset.more;
      button.style.left = `${folded ? at : x}px`;
      button.style.top = `${(folded ? 0 : y) * (MARK_PX + 1)}px`;
      button.classList.toggle("folded", folded && !current);
      button.setAttribute("aria-current", String(current));
      button.tabIndex = current || (this.place < 0 && place === 0) ? 0 : -1;
      button.setAttribute("aria-label", this.markWords(item, place));
      button.classList.toggle("decided", Boolean(item.verdict));
      const sign = item.verdict ? this.w[`${item.verdict}_sign`] : item.sign;
      if (button.textContent !== sign) button.textContent = sign;
    });
    const height = `${(highest + 1) * (MARK_PX + 1) + 2}px`;
    this.marks.style.height = height;
    this.names.firstChild.style.height = height;
    this.placeEdges();
  }

  // Each edge needs room for a finger: two near ones reach away from each other, and one for
  // which no room is left waits until the trainer zooms in.
  placeEdges() {
    const width = this.track.clientWidth || 1;
    for (const lane of ["phase", "open"]) {
      const edges = [...this.track.querySelectorAll(`.edge-${lane}`)]
        .map((edge) => ({ edge, x: (Number(edge.dataset.edge.split("|")[2]) / this.duration) * width }))
        .sort((a, b) => a.x - b.x);
      let taken = -1e9;
      edges.forEach(({ edge, x }, place) => {
        const next = place + 1 < edges.length ? edges[place + 1].x : 1e9;
        const left = Math.max(taken, x - EDGE_PX, Math.min(x - EDGE_PX / 2, next - EDGE_PX));
        edge.hidden = left > x;
        if (edge.hidden) return;
        taken = left + EDGE_PX;
        edge.style.marginLeft = `${left - x}px`;
        edge.style.setProperty("--line", `${x - left - 1.5}px`);
      });
    }
  }

  drawPhases() {
    const phases = this.data.phases;
    const bar = this.lane("phases", this.w.lane_phases, "", ...phases.map((p) => {
      const block = el("div", { class: `phase ${p.phase}`, title:
        `${p.label}, ${clock(p.start)} – ${clock(p.end)}${p.person ? `, ${this.w.by_person}` : ""}` },
        el("span", {}, p.label + (p.person ? " ✎" : "")));
      block.style.left = this.x(p.start);
      block.style.width = this.width(p.start, p.end);
      return block;
    }));
    const edges = new Map();
    for (const p of phases) {
      for (const [at, word] of [[p.start, this.w.begins], [p.end, this.w.ends]]) {
        if (at <= 0.011 || at >= this.duration - 0.011) continue;
        const words = `${p.label} ${word}`;
        edges.set(at, edges.has(at) ? `${edges.get(at)}, ${words}` : words);
      }
    }
    for (const [at, words] of edges) bar.append(this.handle("phase", "both", at, words));
  }

  drawOpen() {
    const bar = this.lane("open", this.w.lane_open, this.w.open_note);
    for (const p of this.data.open) {
      const block = el("div", { class: "window", title:
        `${this.w.line_open}, ${p.label}, ${clock(p.start)} – ${clock(p.end)}` +
        (p.unsure ? `, ± ${p.unsure.toFixed(1)} s` : "") },
        el("span", {}, `${(p.end - p.start).toFixed(1)} s${p.person ? " ✎" : ""}`));
      block.style.left = this.x(p.start);
      block.style.width = this.width(p.start, p.end);
      bar.append(block,
        this.handle("open", "start", p.start, `${this.w.line_opens}, ${p.label}`),
        this.handle("open", "end", p.end, `${this.w.line_closes}, ${p.label}`));
    }
  }

  // A long recording has thousands of these stretches, and nothing that is corrected or decided
  // changes them: they stay in the page.
  drawLanes() {
    if (this.lanesDrawn === this.data.lanes_stamp) return;
    this.lanesDrawn = this.data.lanes_stamp;
    const lanes = this.data.lanes;
    const w = this.w;
    const rows = this.data.surface_order;
    const put = (bar, spans, cls) => {
      for (const [a, b, kind] of spans) {
        const span = el("div", { class: `span ${cls(kind)}` });
        span.style.left = this.x(a);
        span.style.width = this.width(a, b);
        bar.append(span);
        if (rows.includes(kind)) {
          span.style.top = `${(100 * rows.indexOf(kind)) / rows.length}%`;
          span.title = `${this.data.surface_names[kind]}, ${clock(a)} – ${clock(b)}`;
        }
      }
    };
    for (const [name, label, note] of [["surfaces", w.lane_surfaces, w.surfaces_note],
      ["hands", w.lane_hands, w.hands_note], ["mouth", w.lane_mouth, w.mouth_note]]) {
      const bar = this.lane(name, label, note);
      if (lanes) put(bar, lanes[name], (kind) => `${name}-${kind}`);
      else bar.append(el("span", { class: "loading" }, this.data.lanes_note));
    }
  }

  drawAxis() {
    const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800];
    const wide = (this.view.clientWidth || 1000) * this.zoom;
    const room = Math.max(2, Math.floor(wide / 90));
    const step = steps.find((s) => this.duration / s <= room) || 3600;
    const axis = this.lane("axis", this.w.lane_time, "");
    axis.tabIndex = 0;
    for (const [name, value] of Object.entries({ role: "slider", "aria-label": this.w.lane_time,
      "aria-valuemin": 0, "aria-valuemax": this.duration.toFixed(1), "aria-valuenow": 0 }))
      axis.setAttribute(name, value);
    for (let at = 0; at <= this.duration; at += step) {
      const tick = el("span", { class: "tick-mark" }, clock(at).replace(/\.0$/, ""));
      if (at / this.duration > 0.97) tick.classList.add("last");
      tick.style.left = this.x(at);
      axis.append(tick);
    }
    axis.addEventListener("click", (event) => this.seek(this.timeAt(event.clientX)));
    axis.addEventListener("keydown", (event) => {
      const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 };
      if (by[event.key]) { event.preventDefault(); this.seek(this.time + by[event.key]); }
      if (event.key === "Home") { event.preventDefault(); this.seek(0); }
      if (event.key === "End") { event.preventDefault(); this.seek(this.duration); }
      if (event.key === " ") { event.preventDefault(); this.toggle(); }
    });
    this.axis = axis;
  }

  zoomTo(zoom) {
    this.zoom = clamp(zoom, 1, 64);
    this.drawTimeline();
    const x = (this.time / this.duration) * this.track.clientWidth;
    this.view.scrollLeft = Math.max(0, x - this.view.clientWidth / 2);
    this.zoomText.textContent = this.w.zoomed.replace("{x}", this.zoom);
  }

  // --- edges -------------------------------------------------------------------------------

  handle(lane, side, at, words) {
    const handle = el("div", { class: `edge edge-${lane}`, role: "slider", tabindex: "0",
      "data-edge": `${lane}|${side}|${at}`, "aria-label": words, "aria-valuemin": 0,
      "aria-valuemax": this.duration.toFixed(1), "aria-valuenow": at.toFixed(1),
      "aria-valuetext": clock(at), title: `${words}, ${clock(at)}` });
    handle.style.left = this.x(at);
    handle.addEventListener("pointerdown", (event) => this.grab(event, handle, lane, side, at));
    handle.addEventListener("keydown", (event) => this.nudge(event, handle, lane, side, at));
    handle.addEventListener("blur", () => this.settle(handle, lane, side, at));
    return handle;
  }

  // How far an edge can go: filler may be used up, a named phase keeps a little of itself.
  limits(lane, side, at) {
    const least = this.data.shortest_s;
    const near = (a, b) => Math.abs(a - b) <= 0.011;
    let [low, high] = [0, this.duration];
    if (lane === "open") {
      const rows = this.data.open;
      const place = rows.findIndex((row) => near(side === "start" ? row.start : row.end, at));
      const row = rows[place];
      if (side === "start") {
        if (place > 0) low = rows[place - 1].end;
        high = row.end - least;
      } else {
        low = row.start + least;
        if (place + 1 < rows.length) high = rows[place + 1].start;
      }
      return [low, high];
    }
    const rows = this.data.phases;
    const before = rows.findIndex((row) => near(row.end, at));
    const after = rows.findLastIndex((row) => near(row.start, at));
    const room = (row) => (row.phase === "other" ? 0 : least);
    if (before >= 0) low = rows[before].start + room(rows[before]);
    else if (after > 0) low = rows[after - 1].end;
    if (after >= 0) high = rows[after].end - room(rows[after]);
    else if (before + 1 < rows.length) high = rows[before + 1].start;
    return [low, high];
  }

  grab(event, handle, lane, side, at) {
    if (event.button !== 0) return;
    event.preventDefault();
    event.stopPropagation();
    handle.focus({ preventScroll: true });
    handle.setPointerCapture(event.pointerId);
    this.video.pause();
    const from = event.clientX;
    const [low, high] = this.limits(lane, side, at);
    this.drag = { to: at, moved: false };
    const move = (e) => {
      if (Math.abs(e.clientX - from) > 2) this.drag.moved = true;
      if (!this.drag.moved) return;
      this.drag.to = clamp(at + this.timeAt(e.clientX) - this.timeAt(from), low, high);
      this.shift(handle, this.drag.to);
      this.seek(this.drag.to);
    };
    const end = (commit) => {
      handle.removeEventListener("pointermove", move);
      handle.removeEventListener("pointerup", up);
      handle.removeEventListener("pointercancel", off);
      handle.removeEventListener("keydown", escape, true);
      const drag = this.drag;
      // The click that follows a release must not seek.
      setTimeout(() => { this.drag = null; if (!commit || !drag.moved) this.drawTimeline(); }, 0);
      if (commit && drag.moved) this.commit(lane, side, at, drag.to);
    };
    const up = () => end(true);
    const off = () => end(false);
    const escape = (e) => { if (e.key === "Escape") { e.stopPropagation(); end(false); } };
    handle.addEventListener("pointermove", move);
    handle.addEventListener("pointerup", up);
    handle.addEventListener("pointercancel", off);
    handle.addEventListener("keydown", escape, true);
  }

  shift(handle, to) {
    handle.style.left = this.x(to);
    handle.classList.add("moving");
    handle.setAttribute("aria-valuenow", to.toFixed(1));
    handle.setAttribute("aria-valuetext", clock(to));
    handle.dataset.clock = clock(to);
  }

  nudge(event, handle, lane, side, at) {
    const by = { ArrowRight: STEP_S, ArrowUp: STEP_S, ArrowLeft: -STEP_S, ArrowDown: -STEP_S,
      PageUp: 10 * STEP_S, PageDown: -10 * STEP_S }[event.key];
    event.stopPropagation();
    if (by) {
      event.preventDefault();
      const step = event.shiftKey ? 10 * by : by;
      handle.aimed = clamp((handle.aimed ?? at) + step, ...this.limits(lane, side, at));
      this.shift(handle, handle.aimed);
      this.seek(handle.aimed);
    } else if (event.key === "Enter") {
      event.preventDefault();
      this.settle(handle, lane, side, at);
    } else if (event.key === "Escape") {
      handle.aimed = undefined;
      this.drawTimeline();
    }
  }

  settle(handle, lane, side, at) {
    const to = handle.aimed;
    handle.aimed = undefined;
    if (to !== undefined && Math.abs(to - at) > 1e-6) this.commit(lane, side, at, to);
  }

  commit(lane, side, from, to) {
    const action = { do: "edge", lane, side, from, to: Number(to.toFixed(3)) };
    this.aim = action.to;
    if (this.send(action)) this.moved = true;
    else setTimeout(() => this.drawTimeline(), 0);
  }

  moveBack() {
    this.moved = false;
    this.send({ do: "undo_correction" });
  }

  // --- over the picture --------------------------------------------------------------------

  async showPoints(what) {
    const on = !this.show[what];
    this.show[what] = on;
    const button = what === "hands" ? this.handsButton : this.faceButton;
    button.setAttribute("aria-pressed", String(on));
    if (on && !this.points) {
      // Until it is known where the face is, nothing is shown at all.
      this.cover.hidden = what !== "face";
      this.cover.textContent = this.w.points_loading;
      this.points = await this.loadPoints();
      this.cover.hidden = true;
      if (!this.points) {
        this.show[what] = false;
        button.setAttribute("aria-pressed", "false");
        this.status(this.w.points_trouble, false);
      }
    }
    this.drawPoints();
  }

  async loadPoints() {
    if (!this.data.points) return null;
    try {
      const answer = await fetch(this.data.points, { credentials: "same-origin" });
      return answer.ok ? readPoints(await answer.arrayBuffer()) : null;
    } catch { return null; }
  }

  drawPoints() {
    const canvas = this.canvas;
    const wanted = this.points && (this.show.hands || this.show.face);
    if (!wanted) { if (canvas.width) canvas.width = 0; return; }
    const box = this.screen.getBoundingClientRect();
    const ratio = window.devicePixelRatio || 1;
    const [w, h] = [Math.round(box.width * ratio), Math.round(box.height * ratio)];
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    const pen = canvas.getContext("2d");
    pen.clearRect(0, 0, w, h);
    const { videoWidth, videoHeight } = this.video;
    if (!videoWidth) return;
    const scale = Math.min(w / videoWidth, h / videoHeight);
    const place = { x: (w - videoWidth * scale) / 2, y: (h - videoHeight * scale) / 2,
      unit: videoWidth * scale };
    const row = rowAt(this.points.times, this.time);
    if (this.show.face) this.coverFace(pen, place, row, scale);
    if (this.show.hands) for (const side of [0, 1]) this.drawHand(pen, place, row, side);
  }

  drawHand(pen, place, row, side) {
    const at = this.points.handRow[side][row];
    if (at < 0) return;
    const points = this.points.hands[side].subarray(at * 42, at * 42 + 42);
    const spot = (k) => [place.x + value(points[2 * k]) * place.unit,
      place.y + value(points[2 * k + 1]) * place.unit];
    for (const [colour, width] of [["#ffffff", 6], ["#1c1f24", 2.5]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.setLineDash(side ? [7, 5] : []);
      for (const chain of BONES) {
        pen.beginPath();
        chain.forEach((k, i) => pen[i ? "lineTo" : "moveTo"](...spot(k)));
        pen.stroke();
      }
    }
    const [x, y] = spot(0);
    pen.setLineDash([]);
    pen.font = "bold 20px sans-serif";
    pen.lineWidth = 5;
    pen.strokeStyle = "#ffffff";
    const letter = side ? this.w.right_letter : this.w.left_letter;
    pen.strokeText(letter, x - 7, y + 24);
    pen.fillStyle = "#1c1f24";
    pen.fillText(letter, x - 7, y + 24);
  }

  coverFace(pen, place, row, scale) {
    const box = faceNear(this.points, row, this.time);
    if (!box) return;
    const [x0, y0, x1, y1] = box;
    const [left, top] = [place.x + x0 * place.unit, place.y + y0 * place.unit];
    const [width, height] = [(x1 - x0) * place.unit, (y1 - y0) * place.unit];
    this.small = this.small || el("canvas", { width: 9, height: 9 });
    const source = [x0 * this.video.videoWidth, y0 * this.video.videoWidth,
      (x1 - x0) * this.video.videoWidth, (y1 - y0) * this.video.videoWidth];
    this.small.getContext("2d").drawImage(this.video, ...source, 0, 0, 9, 9);
    pen.save();
    pen.beginPath();
    pen.ellipse(left + width / 2, top + height / 2, width / 2, height / 2, 0, 0, 2 * Math.PI);
    pen.clip();
    pen.imageSmoothingEnabled = true;
    pen.fillStyle = "#777777";
    pen.fillRect(left, top, width, height);
    pen.drawImage(this.small, left, top, width, height);
    pen.restore();
  }

  end() {
    this.video.pause();
    this.video.removeAttribute("src");
    this.video.load();
    this.sizes.disconnect();
  }
}

const value = (stored) => stored / 32767.5 - 0.5;

export function readPoints(buffer) {
  const size = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size)));
  let at = 4 + size;
  const take = (Kind, count) => {
    const part = new Kind(buffer, at, count);
    at += part.byteLength;
    return part;
  };
  const rows = (numbers) => {
    const row = new Int32Array(header.samples).fill(-1);
    numbers.forEach((sample, place) => { row[sample] = place; });
    return row;
  };
  const points = { times: take(Float32Array, header.samples), handRow: [], hands: [] };
  for (const count of header.hands) {
    points.handRow.push(rows(take(Int32Array, count)));
    points.hands.push(take(Uint16Array, count * 42));
  }
  points.faceSamples = take(Int32Array, header.faces);
  points.faces = take(Uint16Array, header.faces * 4);
  return points;
}

export function rowAt(times, time) {
  let [low, high] = [0, times.length - 1];
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle] <= time + 1e-4) low = middle;
    else high = middle - 1;
  }
  return low;
}

// The cover takes in where the face was just before and is just after, so that a lost frame or
// a quick turn does not bare it.
export function faceNear(points, row, time) {
  const samples = points.faceSamples;
  let [low, high] = [0, samples.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (samples[middle] <= row) low = middle + 1;
    else high = middle;
  }
  let box = null;
  for (const place of [low - 1, low]) {
    if (place < 0 || place >= samples.length) continue;
    if (Math.abs(points.times[samples[place]] - time) > HOLD_FACE_S) continue;
    const [x0, y0, x1, y1] = [0, 1, 2, 3].map((k) => value(points.faces[place * 4 + k]));
    box = box === null ? [x0, y0, x1, y1]
      : [Math.min(box[0], x0), Math.min(box[1], y0), Math.max(box[2], x1), Math.max(box[3], y1)];
  }
  return box;
}

export default function (component) {
  const { parentElement } = component;
  if (!parentElement.player) parentElement.player = new Player(parentElement);
  const player = parentElement.player;
  player.update(component);
  return () => {
    player.end();
    player.host.remove();
    delete parentElement.player;
  };
}
