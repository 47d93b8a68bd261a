// What stands on the page of the listening room: its boxes, rows of buttons, and the sheet of words and keys.
// What they do is in review.js.

const START_DB = -20; // a safe beginning: the sounds themselves stand at -23 dB re full scale

class RoomPage {
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

  reading() {
    return this.sheetBox.classList.contains("open");
  }

  showSheet(open) {
    this.sheetBox.classList.toggle("open", open);
    (open ? this.sheetBox : this.root).focus({ preventScroll: true });
  }
}
