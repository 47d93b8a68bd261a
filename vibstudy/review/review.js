// The page of the review room: draws the note the kernel shows, plays what it sends, and tells it what the
// listener decides. Whatever comes from the study is set as text, never as HTML.

const START_DB = -20; // a safe beginning: the sounds themselves stand at -23 dB re full scale
const NUDGE_S = 0.01;
const GATHER_MS = 350; // several nudges in a row become one decision
const REASONS = ["not the soloist", "wrong pitch", "two notes in one", "too noisy", "no note at all"];

const SOUND_KEYS = [
  ["note", "Note", " ", "space"],
  ["phrase", "Phrase", "w", "w"],
  ["slow", "Half speed", "h", "h"],
  ["tone", "Vibrato alone", "v", "v"],
];

function make(tag, className, text) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}

function button(text, keycap, action, className) {
  const node = make("button", className, text);
  node.type = "button";
  if (keycap) node.append(make("kbd", "", keycap));
  node.addEventListener("click", action);
  return node;
}

function row(label, ...nodes) {
  const node = make("div", "row");
  node.append(make("span", "what", label), ...nodes);
  return node;
}

function numberInput(className, step, label) {
  const node = make("input", className);
  node.type = "number";
  node.step = step;
  node.setAttribute("aria-label", label);
  return node;
}

class Room {
  constructor(model, el) {
    this.model = model;
    this.edges = [0, 0];
    this.cursor = null;
    this.playing = null;
    this.drag = null;
    this.gathering = 0;
    this.build(el);
    this.onView = () => this.refresh();
    this.onMessage = (message, buffers) => this.play(message, buffers);
    model.on("change:view", this.onView);
    model.on("msg:custom", this.onMessage);
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.canvas);
    this.refresh();
    model.send({ do: "ready" });
  }

  close() {
    this.model.off("change:view", this.onView);
    this.model.off("msg:custom", this.onMessage);
    this.watcher.disconnect();
    clearTimeout(this.gathering);
    cancelAnimationFrame(this.frame);
    this.audio.pause();
    if (this.audio.src) URL.revokeObjectURL(this.audio.src);
  }

  tell(what, more) {
    this.settle();
    this.model.send({ do: what, ...more });
  }

  // --- what is on the page

  build(el) {
    const root = make("div", "vibstudy-room");
    root.tabIndex = 0;
    root.setAttribute("data-lm-suppress-shortcuts", "true"); // the notebook's own keys stay out of here
    root.setAttribute("role", "application");
    root.setAttribute("aria-label", "Review of notes");
    root.addEventListener("keydown", (event) => this.key(event));
    this.root = root;

    const head = make("div", "head");
    this.title = make("span", "title");
    this.tags = make("span", "tags");
    this.state = make("span", "state");
    this.count = make("span", "count");
    const signed = make("label", "signed", "signed as ");
    this.who = make("input");
    this.who.maxLength = 60;
    this.who.addEventListener("change", () => this.tell("who", { who: this.who.value }));
    signed.append(this.who);
    head.append(this.title, this.state, this.tags, this.count, signed);
    const bar = make("div", "bar");
    this.bar = make("div");
    bar.append(this.bar);

    this.desk = make("div", "desk");
    const drawing = make("div", "drawing");
    this.canvas = make("canvas");
    this.listenToPointer();
    const key = make("div", "key");
    for (const [colour, words] of [
      ["#b3412a", "measured pitch"],
      ["#004488", "fitted vibrato"],
      ["#1f1f1f", "edges: drag them"],
      ["#9a8f78", "click: place for a split"],
    ]) {
      const mark = make("i", words === "fitted vibrato" ? "dashed" : "");
      mark.style.borderColor = colour;
      key.append(mark, document.createTextNode(words));
    }
    drawing.append(this.canvas, key);
    const side = make("div", "side");
    this.figures = make("table");
    this.doubts = make("ul");
    this.doubtHead = make("div", "subhead", "Why it is doubtful");
    side.append(this.figures, this.doubtHead, this.doubts);
    this.desk.append(drawing, side);

    this.audio = make("audio", "sound");
    this.audio.addEventListener("ended", () => this.stop());
    this.work = make("div");
    this.work.append(this.listenRow(), this.decideRow(), this.whyRow(), this.edgeRow(), this.mendRow());
    this.say = make("div", "say");
    this.say.setAttribute("role", "status");
    root.append(head, bar, this.say, this.desk, this.work, this.goRow(), this.audio);
    el.append(root);
  }

  listenRow() {
    const buttons = SOUND_KEYS.map(([which, words, , cap]) =>
      button(words, cap, () => this.ask(which), which === "note" ? "main" : ""),
    );
    this.volume = make("input");
    this.volume.type = "range";
    [this.volume.min, this.volume.max, this.volume.step, this.volume.value] = [-50, 0, 1, START_DB];
    this.volume.setAttribute("aria-label", "Volume in dB");
    this.decibels = make("span");
    const setVolume = () => {
      this.audio.volume = 10 ** (this.volume.value / 20);
      this.decibels.textContent = `${this.volume.value} dB`.replace("-", "\u2212");
    };
    this.volume.addEventListener("input", setVolume);
    setVolume();
    const caution = make("span", "caution", "Care for your hearing: start low, raise it slowly, above all with headphones.");
    return row("Listen", ...buttons, this.volume, this.decibels, caution);
  }

  decideRow() {
    return row(
      "Decide",
      button("Accept", "a", () => this.tell("accept"), "main"),
      button("Reject \u2026", "r", () => this.askWhy()),
      button("Mark as trill", "t", () => this.tell("trill")),
      button("Undo", "u", () => this.tell("undo")),
    );
  }

  whyRow() {
    this.why = make("div", "why row");
    this.reason = make("input", "reason");
    this.reason.placeholder = "or in your own words, then Enter";
    this.reason.setAttribute("aria-label", "Reason");
    this.reason.addEventListener("keydown", (event) => {
      if (event.key === "Enter") this.reject(this.reason.value);
    });
    const choices = REASONS.map((words, i) => button(words, String(i + 1), () => this.reject(words)));
    this.why.append(make("span", "what", "Why?"), ...choices, this.reason, button("Do not reject", "Esc", () => this.closeWhy()));
    return this.why;
  }

  edgeRow() {
    this.begin = numberInput("seconds begin", 0.01, "Beginning in seconds");
    this.end = numberInput("seconds end", 0.01, "End in seconds");
    for (const input of [this.begin, this.end]) {
      input.addEventListener("change", () => this.moveEdges(Number(this.begin.value), Number(this.end.value)));
    }
    return row(
      "Edges",
      make("span", "", "begins"),
      this.begin,
      button("\u2212", "1", () => this.nudge(0, -NUDGE_S)),
      button("+", "2", () => this.nudge(0, NUDGE_S)),
      make("span", "", "s, ends"),
      this.end,
      button("\u2212", "3", () => this.nudge(1, -NUDGE_S)),
      button("+", "4", () => this.nudge(1, NUDGE_S)),
      make("span", "", "s"),
    );
  }

  mendRow() {
    this.octave = make("span");
    this.cycles = numberInput("cycles", 0.5, "Vibrato cycles counted");
    this.cycles.min = 0;
    const count = () => {
      if (this.cycles.value !== "") this.tell("count", { cycles: Number(this.cycles.value) });
      this.cycles.value = "";
      this.root.focus();
    };
    this.cycles.addEventListener("keydown", (event) => event.key === "Enter" && count());
    return row(
      "Mend",
      button("Octave up", "\u2191", () => this.tell("octave", { by: 1 })),
      button("Octave down", "\u2193", () => this.tell("octave", { by: -1 })),
      this.octave,
      button("Split at the mark", "s", () => this.split()),
      button("Join with next", "j", () => this.tell("join")),
      make("span", "", "cycles counted"),
      this.cycles,
      button("Keep", "c", count),
    );
  }

  goRow() {
    return row(
      "Go",
      button("Back", "\u2190", () => this.go(-1)),
      button("Next", "\u2192", () => this.go(1)),
      make("span", "caution", "Click into the frame once; then the keys work. Every decision is saved at once."),
    );
  }

  // --- what the listener does

  key(event) {
    event.stopPropagation();
    const typing = event.target.tagName === "INPUT" && event.target.type !== "range";
    if (event.key === "Escape") {
      this.closeWhy();
      this.root.focus();
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (this.why.classList.contains("open") && event.key >= "1" && event.key <= String(REASONS.length)) {
      if (typing && this.reason.value !== "") return;
      event.preventDefault();
      this.reject(REASONS[Number(event.key) - 1]);
      return;
    }
    if (typing || (event.target.type === "range" && event.key.startsWith("Arrow"))) return;
    if (event.target.tagName === "BUTTON" && (event.key === " " || event.key === "Enter")) return;
    const actions = {
      a: () => this.tell("accept"),
      r: () => this.askWhy(),
      t: () => this.tell("trill"),
      u: () => this.tell("undo"),
      s: () => this.split(),
      j: () => this.tell("join"),
      c: () => this.cycles.focus(),
      1: () => this.nudge(0, -NUDGE_S),
      2: () => this.nudge(0, NUDGE_S),
      3: () => this.nudge(1, -NUDGE_S),
      4: () => this.nudge(1, NUDGE_S),
      ArrowUp: () => this.tell("octave", { by: 1 }),
      ArrowDown: () => this.tell("octave", { by: -1 }),
      ArrowLeft: () => this.go(-1),
      ArrowRight: () => this.go(1),
    };
    for (const [which, , key] of SOUND_KEYS) actions[key] = () => this.ask(which);
    const action = actions[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!action) return;
    event.preventDefault();
    action();
  }

  go(by) {
    this.tell("go", { to: this.model.get("view").place + by });
  }

  askWhy() {
    this.settle();
    this.why.classList.add("open");
    this.reason.value = "";
    this.reason.focus();
  }

  closeWhy() {
    this.why.classList.remove("open");
  }

  reject(why) {
    this.closeWhy();
    this.root.focus();
    this.tell("reject", { why });
  }

  split() {
    const [begin, end] = this.edges;
    this.tell("split", { at_s: this.cursor === null ? 0.5 * (begin + end) : this.cursor });
  }

  nudge(edge, by) {
    this.edges[edge] += by;
    this.showEdges();
    clearTimeout(this.gathering);
    this.gathering = setTimeout(() => this.settle(), GATHER_MS);
  }

  settle() {
    if (!this.gathering) return;
    clearTimeout(this.gathering);
    this.gathering = 0;
    this.moveEdges(...this.edges);
  }

  moveEdges(begin, end) {
    this.gathering = 0;
    if (Number.isFinite(begin) && Number.isFinite(end)) {
      this.model.send({ do: "edges", onset_s: begin, offset_s: end });
    }
  }

  listenToPointer() {
    const at = (event) => this.timeAt(event.clientX - this.canvas.getBoundingClientRect().left);
    this.canvas.addEventListener("pointerdown", (event) => {
      const x = event.clientX - this.canvas.getBoundingClientRect().left;
      const near = this.edges.map((edge) => Math.abs(this.xOf(edge) - x));
      const edge = near[0] < near[1] ? 0 : 1;
      this.root.focus();
      if (near[edge] < 8) {
        this.drag = edge;
        this.canvas.setPointerCapture(event.pointerId);
      } else {
        this.cursor = at(event);
        this.draw();
      }
    });
    this.canvas.addEventListener("pointermove", (event) => {
      if (this.drag === null) return;
      this.edges[this.drag] = at(event);
      this.showEdges();
    });
    this.canvas.addEventListener("pointerup", () => {
      if (this.drag === null) return;
      this.drag = null;
      this.moveEdges(...this.edges);
    });
  }

  // --- sound

  ask(which) {
    if (this.playing && this.playing.which === which) {
      this.stop();
      return;
    }
    this.tell("sound", { which });
  }

  play(message, buffers) {
    if (!message.sound || !buffers.length) return;
    if (this.audio.src) URL.revokeObjectURL(this.audio.src);
    this.audio.src = URL.createObjectURL(new Blob([buffers[0]], { type: "audio/wav" }));
    this.playing = { which: message.sound, start: message.start_s, speed: message.speed };
    this.audio.play().then(
      () => this.follow(),
      () => this.stop(),
    );
  }

  follow() {
    this.draw();
    if (this.playing) this.frame = requestAnimationFrame(() => this.follow());
  }

  stop() {
    this.audio.pause();
    this.playing = null;
    this.draw();
  }

  // --- showing

  refresh() {
    const view = this.model.get("view");
    if (!view || view.total === undefined) return;
    this.say.textContent = view.say || "";
    this.count.textContent = view.total ? `${view.place + 1} of ${view.total}; ${view.heard} decided` : "";
    this.bar.style.width = `${view.total ? (100 * (view.place + 1)) / view.total : 0}%`;
    if (document.activeElement !== this.who) this.who.value = view.who;
    for (const node of [this.desk, this.work, this.state]) node.classList.toggle("hidden", view.empty);
    this.closeWhy();
    const name = view.empty ? null : `${view.place} ${view.title}`;
    if (name !== this.shown) {
      this.cursor = null;
      if (this.playing) this.stop();
    }
    this.shown = name;
    this.view = view.empty ? null : view;
    this.title.textContent = view.title || "";
    this.tags.textContent = (view.tags || []).join(", ");
    if (view.empty) return;
    const state = view.state === "auto" ? "not decided" : view.state;
    this.state.textContent = view.kind === "note" ? state : `${state}, ${view.kind}`;
    this.state.dataset.state = view.state;
    this.edges = [...view.edges];
    this.octave.textContent = view.octaves ? `${view.octaves > 0 ? "+" : "\u2212"}${Math.abs(view.octaves)}` : "";
    this.figures.replaceChildren(
      ...view.figures.map(([label, value]) => {
        const line = make("tr");
        line.append(make("td", "", label), make("td", "", value));
        return line;
      }),
    );
    this.doubtHead.classList.toggle("hidden", !view.doubts.length);
    this.doubts.replaceChildren(...view.doubts.map((words) => make("li", "", words)));
    this.image = this.paint(view.picture, this.model.get("picture"));
    this.showEdges();
  }

  showEdges() {
    this.begin.value = this.edges[0].toFixed(3);
    this.end.value = this.edges[1].toFixed(3);
    this.draw();
  }

  paint(size, bytes) {
    const image = document.createElement("canvas");
    image.width = size.columns;
    image.height = size.rows;
    const values = new Uint8Array(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    if (values.length !== size.rows * size.columns) return null;
    const context = image.getContext("2d");
    const pixels = context.createImageData(size.columns, size.rows);
    values.forEach((value, i) => {
      const light = 1 - (value / 255) ** 1.6; // paper to ink
      pixels.data.set([251 * light + 28 * (1 - light), 250 * light + 30 * (1 - light), 246 * light + 34 * (1 - light), 255], 4 * i);
    });
    context.putImageData(pixels, 0, 0);
    return image;
  }

  xOf(time) {
    const [start, end] = this.view.span;
    return 46 + ((time - start) / (end - start)) * (this.canvas.clientWidth - 52);
  }

  timeAt(x) {
    const [start, end] = this.view.span;
    return start + ((x - 46) / (this.canvas.clientWidth - 52)) * (end - start);
  }

  draw() {
    const view = this.view;
    const [width, height] = [this.canvas.clientWidth, this.canvas.clientHeight];
    if (!view || !width) return;
    const scale = window.devicePixelRatio || 1;
    this.canvas.width = width * scale;
    this.canvas.height = height * scale;
    const c = this.canvas.getContext("2d");
    c.scale(scale, scale);
    c.font = "11px system-ui, sans-serif";
    const panels = { sound: [6, 176], pitch: [190, 310], level: [324, 378] };
    this.drawSound(c, view, panels.sound);
    this.drawPitch(c, view, panels.pitch);
    this.drawLevel(c, view, panels.level);
    this.drawTimes(c, view, panels);
  }

  frameOf(c, [top, bottom], label) {
    const [left, right] = [this.xOf(this.view.span[0]), this.xOf(this.view.span[1])];
    c.strokeStyle = "#cfcabd";
    c.lineWidth = 1;
    c.strokeRect(left, top, right - left, bottom - top);
    c.save();
    c.fillStyle = "#5a574f";
    c.translate(10, 0.5 * (top + bottom));
    c.rotate(-Math.PI / 2);
    c.textAlign = "center";
    c.fillText(label, 0, 2);
    c.restore();
  }

  scaleText(c, text, y) {
    c.fillStyle = "#5a574f";
    c.textAlign = "right";
    c.fillText(text.replace("-", "\u2212"), 42, y + 4);
  }

  curve(c, data, yOf, [top, bottom], colour, lineWidth, dash) {
    if (!data) return;
    c.save();
    c.beginPath();
    c.rect(this.xOf(this.view.span[0]), top, this.canvas.clientWidth, bottom - top);
    c.clip();
    c.beginPath();
    let pen = false;
    data.t.forEach((time, i) => {
      const value = data.y[i];
      if (value === null) {
        pen = false;
        return;
      }
      c[pen ? "lineTo" : "moveTo"](this.xOf(time), yOf(value));
      pen = true;
    });
    c.strokeStyle = colour;
    c.lineWidth = lineWidth;
    c.setLineDash(dash || []);
    c.stroke();
    c.restore();
  }

  drawSound(c, view, box) {
    const [top, bottom] = box;
    const { low_hz: low, high_hz: high } = view.picture;
    const yOf = (hertz) => bottom - (Math.log(hertz / low) / Math.log(high / low)) * (bottom - top);
    const [left, right] = view.span.map((time) => this.xOf(time));
    if (this.image) c.drawImage(this.image, left, top, right - left, bottom - top);
    this.frameOf(c, box, "sound, Hz");
    for (const hertz of [50, 100, 200, 500, 1000, 2000, 5000]) {
      if (hertz > low && hertz < high) this.scaleText(c, String(hertz), yOf(hertz));
    }
    this.curve(c, view.coarse, yOf, box, "rgba(179, 65, 42, 0.55)", 1.5);
    const line = view.line && { t: view.line.t, y: view.line.y.map((y) => (y === null ? null : view.pitch_hz * 2 ** (y / 1200))) };
    this.curve(c, line, yOf, box, "#b3412a", 2);
  }

  drawPitch(c, view, box) {
    const [top, bottom] = box;
    const values = [...(view.line ? view.line.y : []), ...(view.fit ? view.fit.y : [])].filter((y) => y !== null);
    const sorted = values.map(Math.abs).sort((a, b) => a - b);
    const reach = Math.min(Math.max(30, 1.25 * (sorted[Math.floor(0.97 * (sorted.length - 1))] || 30)), 300);
    const yOf = (cents) => 0.5 * (top + bottom) - (cents / reach) * 0.5 * (bottom - top);
    this.frameOf(c, box, "pitch, cents");
    const step = reach > 150 ? 100 : reach > 60 ? 50 : 20;
    c.strokeStyle = "#e6e1d4";
    for (let cents = -step * Math.floor(reach / step); cents <= reach; cents += step) {
      this.scaleText(c, String(cents), yOf(cents));
      c.beginPath();
      c.moveTo(this.xOf(view.span[0]), yOf(cents));
      c.lineTo(this.xOf(view.span[1]), yOf(cents));
      c.stroke();
    }
    if (view.vibrato) {
      c.fillStyle = "rgba(224, 175, 58, 0.22)";
      c.fillRect(this.xOf(view.vibrato[0]), top, this.xOf(view.vibrato[1]) - this.xOf(view.vibrato[0]), bottom - top);
    }
    this.curve(c, view.line, yOf, box, "#b3412a", 2);
    this.curve(c, view.fit, yOf, box, "#004488", 1.8, [5, 3]);
  }

  drawLevel(c, view, box) {
    const [top, bottom] = box;
    this.frameOf(c, box, "level, dB");
    const values = view.level ? view.level.y.filter((y) => y !== null) : [];
    if (!values.length) return;
    const high = Math.ceil(Math.max(...values) / 5) * 5;
    const low = Math.max(Math.floor(Math.min(...values) / 5) * 5, high - 40);
    const yOf = (level) => bottom - ((level - low) / (high - low || 1)) * (bottom - top);
    this.scaleText(c, String(high), top + 4);
    this.scaleText(c, String(low), bottom - 4);
    this.curve(c, view.level, yOf, box, "#1f1f1f", 1.5);
  }

  drawTimes(c, view, panels) {
    const [top, bottom] = [panels.sound[0], panels.level[1]];
    const upright = (time, colour, lineWidth, dash) => {
      c.beginPath();
      c.setLineDash(dash || []);
      c.strokeStyle = colour;
      c.lineWidth = lineWidth;
      c.moveTo(this.xOf(time), top);
      c.lineTo(this.xOf(time), bottom);
      c.stroke();
      c.setLineDash([]);
    };
    c.fillStyle = "rgba(251, 250, 246, 0.45)"; // what is not this note steps back
    const [left, right] = view.span.map((time) => this.xOf(time));
    const [begin, end] = this.edges.map((time) => this.xOf(time));
    c.fillRect(left, panels.sound[0], Math.max(begin - left, 0), panels.sound[1] - panels.sound[0]);
    c.fillRect(end, panels.sound[0], Math.max(right - end, 0), panels.sound[1] - panels.sound[0]);
    for (const [on, off] of view.near) {
      for (const time of [on, off]) if (time > view.span[0] && time < view.span[1]) upright(time, "#bdb6a4", 1, [2, 3]);
    }
    if (this.cursor !== null) upright(this.cursor, "#9a8f78", 2, [6, 3]);
    for (const edge of this.edges) {
      upright(edge, "#1f1f1f", 1.6);
      c.fillStyle = "#1f1f1f";
      c.fillRect(this.xOf(edge) - 4, top, 8, 10);
    }
    if (this.playing) upright(this.playing.start + this.audio.currentTime * this.playing.speed, "#004488", 2);
    c.fillStyle = "#5a574f";
    c.textAlign = "center";
    const length = view.span[1] - view.span[0];
    const step = length > 12 ? 5 : length > 4 ? 1 : 0.5;
    for (let time = Math.ceil(view.span[0] / step) * step; time < view.span[1]; time += step) {
      c.fillText(`${Number(time.toFixed(2))} s`, this.xOf(time), bottom + 15);
    }
  }
}

export default {
  render({ model, el }) {
    const room = new Room(model, el);
    return () => room.close();
  },
};
