// Words and keys of the listening room, and the plain parts its page is made of.

// what, its words, its key, the key's name, what it does
const SOUNDS = [
  ["note", "As played", " ", "Space", "the note, as it is in the recording"],
  ["straight", "Straightened", "s", "s", "the note with the movement of its pitch taken out"],
  ["tone", "Vibrato alone", "v", "v", "a sine at the same pitch with the measured vibrato and nothing else"],
  ["slow", "Half speed", "h", "h", "the note twice as long, at the same pitch"],
  ["phrase", "The phrase", "p", "p", "what is around the note"],
];
const DECISIONS = [
  ["right", "Right", "y", "y", "the note is the soloist's, and as it was measured"],
  ["stranger", "Not the soloist", "n", "n", "somebody else plays it, or it is no note: it is left out"],
  ["trill", "A trill", "t", "t", "two notes in turn, no vibrato"],
  ["up", "An octave up", "+", "+", "it sounds an octave higher than was measured"],
  ["down", "An octave down", "-", "\u2212", "it sounds an octave lower"],
  ["begins", "Begins here", "b", "b", "the note begins at the mark"],
  ["ends", "Ends here", "e", "e", "the note ends at the mark"],
  ["two", "Two notes", "2", "2", "a second note begins at the mark"],
  ["one", "One with the next", "1", "1", "this note and the next are a single one"],
  ["out", "Leave out \u2026", "x", "x", "it shall not count, for a reason of your own"],
  ["back", "Take back", "u", "u", "the last decision is undone"],
];
const MOVES = [
  ["previous", "Note before", "PageUp", "Page Up", "the note before in the queue"],
  ["next", "Note after", "PageDown", "Page Down", "the next note, undecided"],
];
const OTHER_KEYS = [
  ["\u2190  \u2192", "the mark, or the end that has the focus, by 10 ms; with Shift by 50 ms"],
  ["c", "type how many cycles of vibrato you counted"],
  ["?", "this sheet; ? or Esc closes it"],
];

function make(tag, className, text) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}

function button(text, action, className) {
  const node = make("button", className, text);
  node.type = "button";
  node.addEventListener("click", action);
  return node;
}

function row(label, ...nodes) {
  const node = make("div", "row");
  node.setAttribute("role", "group");
  node.setAttribute("aria-label", label);
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

function picture(className, label) {
  const node = make("canvas", className);
  node.setAttribute("role", "img");
  node.setAttribute("aria-label", label);
  return node;
}
