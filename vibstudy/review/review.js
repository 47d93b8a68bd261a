// The listening room: shows the note the kernel sends, plays its sounds, and tells it what the listener decides.
// Whatever comes from the study is set as text, never as markup. What is drawn stands in ribbon.js,
// words and keys in words.js.

const START_DB = -20; // a safe beginning: the sounds themselves stand at -23 dB re full scale
const NUDGE_S = 0.01;
const STRIDE_S = 0.05; // with Shift
const GATHER_MS = 350; // several nudges in a row become one decision
const SETTLE_MS = 300; // after the last cell that ran, before the page comes back to the room

class Room {
  constructor(model, el) {
    this.model = model;
    this.edges = [0, 0];
    this.mark = 0;
    this.playing = null;
    this.gathering = 0;
    this.touched = false;
    this.actions = {
      right: () => this.tell("accept"),
      stranger: () => this.tell("reject", { why: "not the soloist" }),
      trill: () => this.tell("trill"),
      up: () => this.tell("octave", { by: 1 }),
      down: () => this.tell("octave", { by: -1 }),
      begins: () => this.moveEdges(this.mark, this.edges[1]),
      ends: () => this.moveEdges(this.edges[0], this.mark),
      two: () => this.tell("split", { at_s: this.mark }),
      one: () => this.tell("join"),
      out: () => this.askWhy(),
      back: () => this.tell("undo"),
      previous: () => this.go(-1),
      next: () => this.go(1),
    };
    for (const [which] of SOUNDS) this.actions[which] = () => this.ask(which);
    this.build(el);
    this.onView = () => this.refresh();
    this.onMessage = (message, buffers) => (message.here ? this.comeBack() : this.play(message, buffers));
    model.on("change:view", this.onView);
    model.on("msg:custom", this.onMessage);
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.root);
    this.theme = new MutationObserver(() => this.draw());
    this.theme.observe(document.body, { attributes: true });
    this.onTouch = () => (this.touched = true);
    for (const kind of ["wheel", "pointerdown", "keydown"]) document.addEventListener(kind, this.onTouch, true);
    this.refresh();
    if (model.get("view").turn <= 1) this.comeBack();
    model.send({ do: "ready" });
  }

  close() {
    this.model.off("change:view", this.onView);
    this.model.off("msg:custom", this.onMessage);
    for (const kind of ["wheel", "pointerdown", "keydown"]) document.removeEventListener(kind, this.onTouch, true);
    this.watcher.disconnect();
    this.theme.disconnect();
    clearTimeout(this.gathering);
    clearTimeout(this.coming);
    cancelAnimationFrame(this.frame);
    this.audio.pause();
    if (this.audio.src) URL.revokeObjectURL(this.audio.src);
  }

  /** Cells below have run and the notebook has followed them: come back, unless somebody is at work. */
  comeBack() {
    clearTimeout(this.coming);
    this.coming = setTimeout(() => {
      if (this.touched || !this.root.isConnected) return;
      this.root.scrollIntoView({ block: "start" });
      this.root.focus({ preventScroll: true });
    }, SETTLE_MS);
  }

  tell(what, more) {
    this.settle();
    this.going = false;
    this.model.send({ do: what, ...more });
  }

  // --- what is on the page

  build(el) {
    const root = make("div", "vibstudy-room");
    root.tabIndex = 0;
    root.setAttribute("data-lm-suppress-shortcuts", "true"); // the notebook's own keys stay out of here
    root.setAttribute("role", "application");
    root.setAttribute("aria-label", "The listening room. Press question mark for words and keys.");
    root.addEventListener("keydown", (event) => this.key(event));
    this.root = root;
    this.buttons = {};
    this.audio = make("audio", "sound");
    this.audio.addEventListener("ended", () => this.stop());
    this.say = make("div", "say");
    this.say.setAttribute("role", "status");
    this.staff = picture("staff", "The phrase on a staff");
    this.desk = make("div", "desk");
    this.desk.append(this.noteBox(), this.cyclesBox(), this.spectraBox(), this.sideBox());
    this.work = make("div", "work");
    this.work.append(this.decideRow(), this.whyRow());
    this.progress = make("ul", "claims");
    this.doubts = make("ul", "doubts");
    root.append(this.head(), this.staff, this.desk, this.doubts, this.listenRow(), this.work, this.goRow(), this.say, this.progress, this.sheet(), this.audio);
    el.append(root);
  }

  head() {
    const head = make("div", "head");
    this.title = make("span", "title");
    this.state = make("span", "state");
    this.tags = make("span", "tags");
    const label = make("label", "signed", "signed as ");
    this.who = make("input");
    this.who.maxLength = 60;
    this.who.addEventListener("change", () => this.tell("who", { who: this.who.value }));
    label.append(this.who);
    this.help = button("?", () => this.showSheet(true), "help");
    this.help.setAttribute("aria-label", "Words and keys");
    head.append(this.title, this.state, this.tags, label, this.help);
    return head;
  }

  noteBox() {
    const box = make("div", "note");
    this.ribbon = picture("ribbon", "The note as a ribbon");
    this.ribbon.addEventListener("pointerdown", (event) => {
      this.root.focus({ preventScroll: true });
      this.setMark(this.timeUnder(event));
    });
    this.marker = this.grip("marker", "Mark", (time) => this.setMark(time), () => {});
    this.brackets = ["Beginning of the note", "End of the note"].map((label, edge) =>
      this.grip(edge ? "bracket end" : "bracket begin", label, (time) => this.dragEdge(edge, time), () => this.moveEdges(...this.edges)),
    );
    const key = make("div", "key", "thick: loud \u00b7 light: bright \u00b7 thin line: fitted vibrato \u00b7 hem: where it lasts, a stitch at each crest");
    box.append(this.ribbon, this.brackets[0], this.marker, this.brackets[1], key);
    return box;
  }

  /** Something on the ribbon that can be dragged, and moved by the arrow keys. */
  grip(className, label, move, done) {
    const node = make("div", `grip ${className}`);
    node.tabIndex = 0;
    node.setAttribute("role", "slider");
    node.setAttribute("aria-label", label);
    let held = false;
    node.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      event.stopPropagation();
      node.focus({ preventScroll: true });
      node.setPointerCapture(event.pointerId);
      this.settle();
      held = true;
    });
    node.addEventListener("pointermove", (event) => held && move(this.timeUnder(event)));
    node.addEventListener("pointerup", () => {
      if (held) done();
      held = false;
    });
    node.addEventListener("pointercancel", () => (held = false));
    return node;
  }

  cyclesBox() {
    const box = make("div", "cycles");
    this.cycles = picture("folded", "All cycles of the note laid over each other");
    this.cycleWords = make("ul");
    box.append(this.cycles, this.cycleWords);
    return box;
  }

  spectraBox() {
    const box = make("div", "spectra");
    this.spectra = ["as played", "vibrato taken out"].map((words) => {
      const figure = make("figure");
      const canvas = picture("spectrum", `Harmonics of the note, ${words}`);
      figure.append(canvas, make("figcaption", "", `harmonics, ${words}`));
      box.append(figure);
      return canvas;
    });
    return box;
  }

  sideBox() {
    const side = make("div", "side");
    this.figures = make("dl");
    side.append(this.figures);
    return side;
  }

  named([name, words, , , does]) {
    const node = button(words, () => this.actions[name](), name === "right" ? "main" : "");
    node.title = does;
    this.buttons[name] = node;
    return node;
  }

  listenRow() {
    this.volume = make("input");
    this.volume.type = "range";
    [this.volume.min, this.volume.max, this.volume.step, this.volume.value] = [-50, 0, 1, START_DB];
    this.volume.setAttribute("aria-label", "Volume in dB");
    this.decibels = make("span", "quiet");
    const setVolume = () => {
      this.audio.volume = 10 ** (this.volume.value / 20);
      this.decibels.textContent = `${this.volume.value} dB`.replace("-", "\u2212");
    };
    this.volume.addEventListener("input", setVolume);
    setVolume();
    this.listen = row("Listen", ...SOUNDS.map((sound) => this.named(sound)), this.volume, this.decibels);
    this.listen.append(make("div", "caution", "Care for your hearing: start low, raise it slowly, above all with headphones."));
    return this.listen;
  }

  decideRow() {
    this.octave = make("span", "quiet");
    return row("It is", ...DECISIONS.map((decision) => this.named(decision)), this.octave);
  }

  whyRow() {
    this.reason = make("input", "reason");
    this.reason.maxLength = 400;
    this.reason.setAttribute("aria-label", "Why it is left out");
    this.reason.placeholder = "in your own words";
    this.reason.addEventListener("keydown", (event) => {
      if (event.key === "Enter") this.leaveOut();
    });
    this.why = row("Why?", this.reason, button("Leave it out", () => this.leaveOut()), button("Keep it", () => this.closeWhy()));
    this.why.classList.add("why");
    return this.why;
  }

  /** Ends and counted cycles in figures. */
  ends() {
    this.begin = numberInput("seconds begin", 0.01, "Beginning in seconds");
    this.end = numberInput("seconds end", 0.01, "End in seconds");
    for (const input of [this.begin, this.end]) {
      input.addEventListener("change", () => this.moveEdges(Number(this.begin.value), Number(this.end.value)));
    }
    this.counted = numberInput("counted", 0.5, "Vibrato cycles counted");
    this.counted.min = 0;
    const keep = () => {
      if (this.counted.value !== "") this.tell("count", { cycles: Number(this.counted.value) });
      this.counted.value = "";
      this.root.focus({ preventScroll: true });
    };
    this.counted.addEventListener("keydown", (event) => event.key === "Enter" && keep());
    return [
      make("span", "", "from"),
      this.begin,
      make("span", "", "to"),
      this.end,
      make("span", "", "s; cycles counted"),
      this.counted,
      button("Keep", keep),
    ];
  }

  goRow() {
    this.figured = make("span", "figured");
    this.figured.append(...this.ends());
    this.count = make("span", "count");
    return row("Go", ...MOVES.map((move) => this.named(move)), this.count, this.figured);
  }

  sheet() {
    this.sheetBox = make("div", "sheet");
    this.sheetBox.setAttribute("role", "dialog");
    this.sheetBox.setAttribute("aria-label", "Words and keys");
    this.sheetBox.tabIndex = -1;
    const table = make("table");
    const lines = [...SOUNDS, ...DECISIONS, ...MOVES].map(([, words, , cap, does]) => [cap, words, does]);
    for (const [cap, words, does] of [...lines, ...OTHER_KEYS.map(([cap, does]) => [cap, "", does])]) {
      const line = make("tr");
      line.append(make("td", "cap", cap), make("td", "word", words), make("td", "", does));
      table.append(line);
    }
    this.sheetBox.append(make("div", "title", "Words and keys"), table, button("Close", () => this.showSheet(false)));
    return this.sheetBox;
  }

  showSheet(open) {
    this.sheetBox.classList.toggle("open", open);
    (open ? this.sheetBox : this.root).focus({ preventScroll: true });
  }

  // --- what the listener does

  key(event) {
    event.stopPropagation();
    const target = event.target;
    const typing = target.tagName === "INPUT" && target.type !== "range";
    if (event.key === "Escape") {
      this.closeWhy();
      this.showSheet(false);
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey || typing) return;
    const arrow = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (arrow && target.type !== "range") {
      event.preventDefault();
      this.nudge(this.brackets.indexOf(target), arrow * (event.shiftKey ? STRIDE_S : NUDGE_S));
      return;
    }
    if (target.tagName === "BUTTON" && (event.key === " " || event.key === "Enter")) return;
    const pressed = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const found = [...SOUNDS, ...DECISIONS, ...MOVES].find(([, , key]) => key === pressed);
    const action = found ? this.actions[found[0]] : { "?": () => this.showSheet(true), "=": this.actions.up, c: () => this.counted.focus() }[pressed];
    if (!action) return;
    event.preventDefault();
    action();
  }

  go(by) {
    const last = this.model.get("view").total - 1;
    this.heading = Math.min(Math.max(this.heading + by, 0), last); // several presses may be under way
    this.tell("go", { to: this.heading });
    this.going = true;
  }

  askWhy() {
    this.settle();
    this.why.classList.add("open");
    this.reason.value = "";
    this.reason.focus();
  }

  closeWhy() {
    if (this.why.classList.contains("open")) this.root.focus({ preventScroll: true });
    this.why.classList.remove("open");
  }

  leaveOut() {
    this.closeWhy();
    this.tell("reject", { why: this.reason.value });
  }

  timeUnder(event) {
    return this.place ? this.place.time(event.clientX - this.ribbon.getBoundingClientRect().left) : 0;
  }

  setMark(time) {
    this.mark = time;
    this.showGrips();
  }

  dragEdge(edge, time) {
    this.edges[edge] = time;
    this.showGrips();
  }

  nudge(edge, by) {
    if (!this.view) return;
    if (edge < 0) {
      this.setMark(Math.min(Math.max(this.mark + by, this.place.from), this.place.to));
      return;
    }
    this.edges[edge] = Math.min(Math.max(this.edges[edge] + by, this.view.span[0]), this.view.span[1]);
    this.showGrips();
    clearTimeout(this.gathering);
    this.gathering = setTimeout(() => this.settle(), GATHER_MS);
  }

  settle() {
    if (!this.gathering) return;
    this.moveEdges(...this.edges);
  }

  moveEdges(begin, end) {
    clearTimeout(this.gathering);
    this.gathering = 0;
    if (Number.isFinite(begin) && Number.isFinite(end)) {
      this.model.send({ do: "edges", onset_s: begin, offset_s: end });
    }
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
    if (!this.going || view.place === this.heading) {
      this.heading = view.place;
      this.going = false;
    }
    this.say.textContent = view.say || "";
    this.count.textContent = view.total ? `${view.place + 1} of ${view.total}; ${view.heard} decided` : "";
    if (document.activeElement !== this.who) this.who.value = view.who;
    for (const node of [this.desk, this.staff, this.doubts, this.listen, this.work, this.figured, this.state]) node.classList.toggle("hidden", view.empty);
    this.showProgress(view.progress || []);
    const name = view.empty ? null : `${view.place} ${view.title}`;
    const another = name !== this.shown;
    if (another) {
      this.closeWhy();
      if (this.playing) this.stop();
    }
    this.shown = name;
    this.view = view.empty ? null : view;
    this.title.textContent = view.title || "";
    this.tags.textContent = (view.tags || []).join(", ");
    if (view.empty) return;
    this.state.textContent = view.state_words;
    this.state.dataset.state = view.state;
    const moved = view.edges[0] !== this.edges[0] || view.edges[1] !== this.edges[1];
    this.edges = [...view.edges];
    if (another || moved) this.mark = 0.5 * (this.edges[0] + this.edges[1]);
    this.octave.textContent = view.octaves ? `octaves: ${signed(view.octaves)}` : "";
    this.figures.replaceChildren(...view.figures.flatMap(([label, value]) => [make("dt", "", label), make("dd", "", value)]));
    this.doubts.replaceChildren(...view.doubts.map((words) => make("li", "", words)));
    this.doubts.setAttribute("aria-label", "Why it is doubtful");
    const words = view.cycles ? view.cycles.words : [];
    this.cycleWords.replaceChildren(...words.map((line) => make("li", "", line)));
    this.cycles.setAttribute("aria-label", ["All cycles of the note laid over each other", ...words].join("; "));
    this.ribbon.setAttribute("aria-label", ["The note as a ribbon", ...view.figures.map((pair) => pair.join(" "))].join("; "));
    const told = view.staff.notes.map((note) => `${note.name}${note.here ? ", this one" : ""}${note.decided ? ", decided" : ""}`);
    this.staff.setAttribute("aria-label", `The phrase on a staff: ${told.join("; ")}`);
    this.begin.value = this.edges[0].toFixed(3);
    this.end.value = this.edges[1].toFixed(3);
    this.draw();
  }

  showProgress(lines) {
    this.progress.replaceChildren(
      ...lines.map(({ words, share }) => {
        const line = make("li");
        const bar = make("span", "bar");
        const done = make("span");
        done.style.width = `${Math.round(100 * share)}%`;
        bar.append(done);
        line.append(bar, make("span", "", words));
        return line;
      }),
    );
    this.progress.classList.toggle("hidden", !lines.length);
  }

  draw() {
    const view = this.view;
    if (!view || !this.ribbon.clientWidth) return;
    const colours = coloursOf(this.root);
    this.place = new RibbonPlace(view, this.ribbon.clientWidth, this.ribbon.clientHeight);
    drawRibbon(this.ribbon, view, this.place, colours);
    if (this.playing) this.drawPlaying(view, colours);
    else {
      drawStaff(this.staff, view, colours);
      drawCycles(this.cycles, view.cycles, colours);
      drawSpectra(this.spectra, view.spectra, this.model.get("picture"), colours);
    }
    this.showGrips();
  }

  /** The sound runs along the ribbon as a bead. */
  drawPlaying(view, colours) {
    const time = this.playing.start + this.audio.currentTime * this.playing.speed;
    if (time < this.place.from || time > this.place.to) return;
    const c = this.ribbon.getContext("2d");
    c.beginPath();
    c.arc(this.place.x(time), this.place.y(pitchAt(view, time) ?? this.place.middle), 7, 0, 2 * Math.PI);
    c.fillStyle = colours.ochre;
    c.strokeStyle = colours.ink;
    c.lineWidth = 1.6;
    c.fill();
    c.stroke();
  }

  showGrips() {
    if (!this.place) return;
    const put = (node, time) => {
      const inside = Math.min(Math.max(time, this.place.from), this.place.to);
      const cents = pitchAt(this.view, Math.min(Math.max(inside, this.edges[0] + 0.02), this.edges[1] - 0.02));
      node.style.left = `${this.place.x(inside)}px`;
      node.style.top = `${this.place.y(cents ?? this.place.middle)}px`;
      node.setAttribute("aria-valuemin", this.view.span[0].toFixed(3));
      node.setAttribute("aria-valuemax", this.view.span[1].toFixed(3));
      node.setAttribute("aria-valuenow", time.toFixed(3));
      node.setAttribute("aria-valuetext", `${time.toFixed(3)} s`);
    };
    put(this.marker, this.mark);
    this.brackets.forEach((node, edge) => put(node, this.edges[edge]));
  }
}

export default {
  render({ model, el }) {
    const room = new Room(model, el);
    return () => room.close();
  },
};
