// The listening room: shows the note the kernel sends, plays its sounds, and tells it what the listener decides.
// Whatever comes from the study is set as text, never as markup. What stands on the page is
// built in page.js, what is drawn in ribbon.js; words and keys are in words.js.

const NUDGE_S = 0.01;
const STRIDE_S = 0.05; // with Shift
const GATHER_MS = 350; // several nudges in a row become one decision
const SETTLE_MS = 300; // after the last cell that ran, before the page comes back to the room

class Room extends RoomPage {
  constructor(model, el) {
    super();
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
    this.send(what, more);
  }

  /** With the note it is about: a key pressed twice must not decide on the next one unheard. */
  send(what, more) {
    this.model.send({ do: what, place: this.model.get("view").place, ...more });
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
    if (this.reading() && event.key !== "?") return; // nothing is decided under the sheet
    const arrow = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (arrow && target.type !== "range") {
      event.preventDefault();
      this.nudge(this.brackets.indexOf(target), arrow * (event.shiftKey ? STRIDE_S : NUDGE_S));
      return;
    }
    if (target.tagName === "BUTTON" && (event.key === " " || event.key === "Enter")) return;
    const pressed = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const found = [...SOUNDS, ...DECISIONS, ...MOVES].find(([, , key]) => key === pressed);
    const action = found ? this.actions[found[0]] : { "?": () => this.showSheet(!this.reading()), "=": this.actions.up, c: () => this.counted.focus() }[pressed];
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
      this.send("edges", { onset_s: begin, offset_s: end });
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
