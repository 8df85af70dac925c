"use strict";

// The page on which an observer corrects by hand what was found. Everything stays in this file until it is
// saved as promtrack-marks.toml; nothing is sent anywhere.
const data = JSON.parse(document.getElementById("data").textContent);
const canvas = document.getElementById("picture");
const context = canvas.getContext("2d");
const status = document.getElementById("status");
const slider = document.getElementById("frame");
const text = document.getElementById("toml");
const geometry = data.geometry;
const colours = { axes: "#c9d3e0", front: "#ff5d8f", knot: "#4cc9f0", known: "#b9a7ff", cover: "#f4d35e", drop: "#ff8c42" };

let view = "strips", tool = "front", at = 0, zoom = 1, left = 0, top_ = 0, corner = null;
let written = [];    // where names stand in the picture: left, foot and width of each
let done = [];       // marks in the order in which they were made; undo takes the last
const pictures = { strips: [], frames: [] };

const list = () => data[view];
const current = () => list()[at];
const size = () => data.sizes[view];

function picture(kind, index) {
  if (!pictures[kind][index]) {
    const image = new Image();
    image.onload = () => { if (kind === view && index === at) draw(); };
    image.src = data[kind][index].picture;
    pictures[kind][index] = image;
  }
  return pictures[kind][index];
}

// Pictures of strips have their top row first; heights grow upward, angles as the data say.
function toSun(x, y) {
  const [width, height] = size();
  const column = (x + 0.5) * geometry.columns / width - 0.5;
  const row = geometry.rows - 1 - ((y + 0.5) * geometry.rows / height - 0.5);
  const angle = geometry.from_deg + geometry.deg_per_column * (geometry.mirrored ? geometry.columns - 1 - column : column);
  return { angle_deg: ((angle % 360) + 360) % 360, height_mm: geometry.low_mm + geometry.mm_per_row * row };
}

function fromSun(angle_deg, height_mm) {
  const [width, height] = size();
  const turned = ((angle_deg - geometry.from_deg) % 360 + 360) % 360;
  let column = turned / geometry.deg_per_column;
  if (geometry.mirrored) column = geometry.columns - 1 - column;
  const row = (height_mm - geometry.low_mm) / geometry.mm_per_row;
  return [(column + 0.5) * width / geometry.columns - 0.5, (geometry.rows - 1 - row + 0.5) * height / geometry.rows - 0.5];
}

const toScreen = (x, y) => [(x + 0.5 - left) * zoom, (y + 0.5 - top_) * zoom];

function fromEvent(event) {
  const box = canvas.getBoundingClientRect();
  const x = (event.clientX - box.left) * canvas.width / box.width;
  const y = (event.clientY - box.top) * canvas.height / box.height;
  return [x / zoom + left - 0.5, y / zoom + top_ - 0.5];
}

// Sets letters of 14 px on the screen, however small the picture is shown there; their height in the picture.
function letters() {
  const high_px = 14 * Math.max(canvas.width / (canvas.clientWidth || canvas.width), 1);
  context.font = `${high_px}px sans-serif`;
  return high_px;
}

// Words with a dark rim, which stand on bright plasma too.
function outlined(words, x, y) {
  const line = context.strokeStyle, width = context.lineWidth;
  Object.assign(context, { strokeStyle: "#000", lineWidth: 0.25 * letters(), lineJoin: "round" });
  context.strokeText(words, x, y);
  context.fillText(words, x, y);
  Object.assign(context, { strokeStyle: line, lineWidth: width });
}

function ring(x, y, colour, radius, label) {
  const [px, py] = toScreen(x, y);
  context.strokeStyle = colour;
  context.lineWidth = 2;
  context.beginPath();
  context.arc(px, py, radius, 0, 2 * Math.PI);
  context.stroke();
  if (!label) return;
  const high_px = letters();
  context.fillStyle = colour;
  const wide = context.measureText(label).width, right = px + radius + 3, left = px - radius - 3 - wide;
  for (const [x1, y1] of [[right, py - radius], [right, py + radius + 0.7 * high_px], [left, py - radius], [left, py + radius + 0.7 * high_px]]) {
    if (written.some(([x2, y2, other]) => x1 < x2 + other + 4 && x2 < x1 + wide + 4 && Math.abs(y1 - y2) < high_px)) continue;
    written.push([x1, y1, wide]);  // no name over another one: magnified, there is room for it
    outlined(label, x1, y1);
    return;
  }
}

function draw() {
  const [width, height] = size();
  canvas.width = 1280;
  canvas.height = Math.max(Math.round(canvas.width * height / width), 120);
  const fit = canvas.width / width;
  const scale = zoom < fit ? fit : zoom;
  zoom = scale;
  left = Math.min(Math.max(left, 0), Math.max(width - canvas.width / zoom, 0));
  top_ = Math.min(Math.max(top_, 0), Math.max(height - canvas.height / zoom, 0));
  context.fillStyle = "#000";
  context.fillRect(0, 0, canvas.width, canvas.height);
  const image = picture(view, at);
  if (image.complete && image.naturalWidth) {
    context.imageSmoothingEnabled = zoom < 3;
    context.drawImage(image, -left * zoom, -top_ * zoom, width * zoom, height * zoom);
  }
  written = [];
  if (view === "strips") drawStrip(); else drawSensor();
  document.getElementById("where").textContent = `${current().time.slice(11, 19)} UTC, ${current().name}, ${at + 1} of ${list().length}`;
  slider.max = list().length - 1;
  slider.value = at;
  text.textContent = toml();
}

// Ticks of height and angle along the edges of what is shown, and the limb as a line.
function drawAxes() {
  const [low, high] = [toSun(left, top_ + canvas.height / zoom), toSun(left + canvas.width / zoom, top_)];
  const line = (x1, y1, x2, y2) => { context.beginPath(); context.moveTo(x1, y1); context.lineTo(x2, y2); context.stroke(); };
  const ticks = (a, b, most, steps) => {
    const [from, to] = [Math.min(a, b), Math.max(a, b)], step = steps.find((s) => (to - from) / s <= most) ?? steps.at(-1);
    return Array.from({ length: Math.floor(to / step) - Math.ceil(from / step) + 1 }, (_, i) => (Math.ceil(from / step) + i) * step);
  };
  const high_px = letters();
  context.fillStyle = context.strokeStyle = colours.axes;
  context.lineWidth = high_px / 14;
  for (const mm of ticks(low.height_mm, high.height_mm, Math.min(canvas.height / high_px / 2, 6), [1, 2, 5, 10, 20, 50, 100, 200])) {
    const y = toScreen(...fromSun(low.angle_deg, mm))[1], words = mm === 0 ? "limb" : `${mm} Mm`;
    if (y < 0.6 * high_px || y > canvas.height - 0.6 * high_px) continue;  // its name would be cut
    line(0, y, 8, y);
    if (mm === 0) line(20 + context.measureText(words).width, y, canvas.width, y);
    outlined(words, 12, y + 0.35 * high_px);
  }
  const [first, last] = geometry.mirrored ? [high, low] : [low, high];
  const end = first.angle_deg + ((last.angle_deg - first.angle_deg + 360) % 360 || 360);  // through north too
  for (const deg of ticks(first.angle_deg, end, Math.min(canvas.width / high_px / 6, 10), [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50])) {
    const x = toScreen(...fromSun(deg, low.height_mm))[0];
    line(x, canvas.height, x, canvas.height - 8);
    if (x > 5 * high_px && x < canvas.width - 4 * high_px) outlined(`${Number((((deg % 360) + 360) % 360).toFixed(1))}°`, x + 4, canvas.height - 5);
  }
}

function drawStrip() {
  drawAxes();
  for (const [kind, tracks, radius] of [["front ", data.fronts, 5], ["", data.knots, 8]]) {
    for (const track of tracks) {
      const near = track.points.filter((p) => p[0] === current().time);
      for (const point of near) ring(...fromSun(point[1], point[2]), colours.known, radius, kind + track.name);
    }
  }
  for (const mark of done) {
    if (mark.kind === "front" || mark.kind === "knot") {
      mark.points.forEach((p) => ring(...fromSun(p.angle_deg, p.height_mm), colours[mark.kind],
        p.time === current().time ? 9 : 3, p.time === current().time ? mark.kind : ""));
    } else if (mark.away !== undefined && mark.time === current().time) {
      ring(...fromSun(mark.angle_deg, mark.height_mm), colours.drop, 12, "dropped");
    } else if (mark.kind === "cover" && mark.in === "sun") {
      const [x1, y1] = toScreen(...fromSun(mark.from_deg, mark.high_mm));
      const [x2, y2] = toScreen(...fromSun(mark.to_deg, mark.low_mm));
      context.strokeStyle = colours.cover;
      context.strokeRect(Math.min(x1, x2), y1, Math.abs(x2 - x1), y2 - y1);
    }
  }
}

function drawSensor() {
  const factor = data.frame_factor;
  context.strokeStyle = colours.cover;
  for (const mark of done.filter((m) => m.kind === "cover" && m.in === "sensor")) {
    const [x1, y1] = toScreen(mark.left_px / factor, mark.top_px / factor);
    const [x2, y2] = toScreen(mark.right_px / factor, mark.bottom_px / factor);
    context.strokeRect(x1, y1, x2 - x1, y2 - y1);
  }
}

function say(words) { status.textContent = words; }

// A click adds a point to the front or knot under way; one point a frame, the last one counts.
function addPoint(kind, place) {
  const open = done[done.length - 1];
  const point = { time: current().time, ...place };
  if (open && open.kind === kind && !open.closed) {
    open.points = open.points.filter((p) => p.time !== point.time);
    open.points.push(point);
    open.points.sort((a, b) => a.time.localeCompare(b.time));
  } else {
    done.push({ kind, points: [point], closed: false });
  }
  say(`${kind}: point at ${point.time.slice(11, 19)}, ${point.height_mm.toFixed(1)} Mm, ${point.angle_deg.toFixed(2)} deg`);
  if (document.getElementById("step").checked) go(at + 1);
}

// The nearest knot is dropped by its place; where a front is nearest, its sector has no front.
function dropNearest(place) {
  const here = (kind, tracks) => tracks.flatMap((track) => track.points.filter((p) => p[0] === current().time).map((p) => {
    const along = ((p[1] - place.angle_deg + 540) % 360 - 180) * Math.PI / 180 * geometry.limb_mm;
    return { kind, track, time: p[0], angle_deg: p[1], height_mm: p[2], away: Math.hypot(along, p[2] - place.height_mm) };
  }));
  const [best] = [...here("drop", data.knots), ...here("no_front", data.fronts)].sort((a, b) => a.away - b.away);
  if (!best || best.away > 15) { say("No knot and no front within 15 Mm of that place in this frame."); return; }
  done.push({ ...best, from_deg: best.track.from_deg, to_deg: best.track.to_deg });
  say(`${best.kind === "drop" ? "knot" : "front"} ${best.track.name} is dropped`);
}

function cover(x, y) {
  if (!corner) { corner = [x, y]; say("Now click the opposite corner."); return; }
  const [a, b] = [corner, [x, y]];
  corner = null;
  const [x1, x2] = [Math.min(a[0], b[0]), Math.max(a[0], b[0])], [y1, y2] = [Math.min(a[1], b[1]), Math.max(a[1], b[1])];
  if (view === "frames") {
    const f = data.frame_factor;
    done.push({ kind: "cover", in: "sensor", left_px: Math.round(x1 * f), top_px: Math.round(y1 * f), right_px: Math.round((x2 + 1) * f), bottom_px: Math.round((y2 + 1) * f) });
  } else {
    const low = toSun(x1, y2 + 0.5), high = toSun(x2, y1 - 0.5);  // all of the rows clicked on, so never nothing
    const [from, to] = geometry.mirrored ? [high.angle_deg, low.angle_deg] : [low.angle_deg, high.angle_deg];
    done.push({ kind: "cover", in: "sun", from_deg: from, to_deg: to, low_mm: low.height_mm, high_mm: high.height_mm });
  }
  say("region covered");
}

function leaveOut() {
  const name = current().name;
  const mark = done.find((m) => m.kind === "leave_out" && m.frame === name);
  if (mark) { done = done.filter((m) => m !== mark); say(`${name} is used again`); }
  else { done.push({ kind: "leave_out", frame: name }); say(`${name} is left out`); }
  draw();
}

function undo() {
  const last = done[done.length - 1];
  if (!last) { say("Nothing to undo."); return; }
  if ((last.kind === "front" || last.kind === "knot") && last.points.length > 1) last.points.pop();
  else done.pop();
  corner = null;
  say("undone");
  draw();
}

function go(to) { at = Math.min(Math.max(to, 0), list().length - 1); draw(); }

function close_() { done.forEach((m) => { m.closed = true; }); say("The next click starts a new one."); }

const quoted = (value) => `"${value.replace(/\\/g, "\\\\").replace(/"/g, '\\"')}"`;

function toml() {
  const lines = ["# Marks made by hand, for promtrack. Times are UTC, angles in degrees as in the products, heights in Mm above the limb."];
  const block = (kind, ...inside) => lines.push("", `[[${kind}]]`, ...inside);
  const numbers = (mark, decimals, ...keys) => keys.map((key) => `${key} = ${mark[key].toFixed(decimals)}`);
  const left_out = done.filter((m) => m.kind === "leave_out");
  if (left_out.length) block("leave_out", `frames = [${left_out.map((m) => quoted(m.frame)).join(", ")}]`);
  for (const mark of done) {
    if (mark.kind === "drop") block("drop", `time = ${quoted(mark.time)}`, ...numbers(mark, 3, "angle_deg", "height_mm"));
    else if (mark.kind === "no_front") block("no_front", ...numbers(mark, 3, "from_deg", "to_deg"));
    else if (mark.in === "sun") block("cover", 'in = "sun"', ...numbers(mark, 3, "from_deg", "to_deg", "low_mm", "high_mm"));
    else if (mark.in) block("cover", 'in = "sensor"', ...numbers(mark, 0, "left_px", "top_px", "right_px", "bottom_px"));
    else if (mark.points) {
      const point = (p) => `    {time = ${quoted(p.time)}, ${numbers(p, 3, "angle_deg", "height_mm").join(", ")}},`;
      block(mark.kind, "points = [", ...mark.points.map(point), "]");
    }
  }
  return lines.join("\n") + "\n";
}

function save() {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([toml()], { type: "application/toml" }));
  link.download = "promtrack-marks.toml";
  link.click();
  URL.revokeObjectURL(link.href);
  say(`Saved as promtrack-marks.toml: put it ${data.place} and run again.`);
}

function choose(name) {
  tool = name;
  corner = null;
  document.querySelectorAll("[data-tool]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.tool === name)));
}

function show(kind) {
  if (!data[kind].length) { say("There are no frames in this page."); return; }
  const time = current().time;
  view = kind;
  at = Math.max(0, list().findIndex((f) => f.time >= time));
  zoom = 0;
  document.querySelectorAll("[data-view]").forEach((b) => b.setAttribute("aria-pressed", String(b.dataset.view === kind)));
  draw();
}

function magnify(factor, x, y) {
  const before = zoom;
  zoom = Math.min(Math.max(zoom * factor, canvas.width / size()[0]), 16);
  left = x - (x - left) * before / zoom;
  top_ = y - (y - top_) * before / zoom;
  draw();
}

canvas.addEventListener("click", (event) => {
  const [x, y] = fromEvent(event);
  if (tool === "cover") cover(x, y);
  else if (view !== "strips") say("Fronts and knots are marked on the strips.");
  else if (tool === "drop") dropNearest(toSun(x, y));
  else addPoint(tool, toSun(x, y));
  draw();
});
canvas.addEventListener("mousemove", (event) => {
  const [x, y] = fromEvent(event);
  if (view === "strips") {
    const place = toSun(x, y);
    document.getElementById("place").textContent = `${place.angle_deg.toFixed(2)} deg, ${place.height_mm.toFixed(1)} Mm`;
  } else {
    document.getElementById("place").textContent = `x ${Math.round(x * data.frame_factor)}, y ${Math.round(y * data.frame_factor)} px`;
  }
});
canvas.addEventListener("wheel", (event) => {
  event.preventDefault();
  magnify(event.deltaY < 0 ? 1.25 : 0.8, ...fromEvent(event));
}, { passive: false });
// The keyboard does all of it too: a cross is moved by the arrows with Shift, Enter clicks.
const cross = { x: null, y: null };
document.addEventListener("keydown", (event) => {
  if (event.target.closest("button, input, pre") && ["Enter", " "].includes(event.key)) return;
  const [width, height] = size();
  if (cross.x === null) { cross.x = width / 2; cross.y = height / 2; }
  const step = event.altKey ? 10 : 1;
  const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
  if (event.shiftKey && moves[event.key]) {
    cross.x = Math.min(Math.max(cross.x + moves[event.key][0], 0), width - 1);
    cross.y = Math.min(Math.max(cross.y + moves[event.key][1], 0), height - 1);
    draw();
    ring(cross.x, cross.y, "#ffffff", 6, "");
    const place = view === "strips" ? toSun(cross.x, cross.y) : null;
    if (place) say(`${place.angle_deg.toFixed(2)} deg, ${place.height_mm.toFixed(1)} Mm`);
  } else if (event.key === "ArrowRight") go(at + 1);
  else if (event.key === "ArrowLeft") go(at - 1);
  else if (event.key === "Enter") {
    const [px, py] = toScreen(cross.x, cross.y), box = canvas.getBoundingClientRect();
    canvas.dispatchEvent(new MouseEvent("click", { clientX: box.left + px * box.width / canvas.width, clientY: box.top + py * box.height / canvas.height }));
    ring(cross.x, cross.y, "#ffffff", 6, "");
  } else if (event.key === "f") choose("front");
  else if (event.key === "k") choose("knot");
  else if (event.key === "d") choose("drop");
  else if (event.key === "c") choose("cover");
  else if (event.key === "n") close_();
  else if (event.key === "x") leaveOut();
  else if (event.key === "u" || (event.key === "z" && (event.ctrlKey || event.metaKey))) undo();
  else if (event.key === "s") save();
  else if (event.key === "+") magnify(1.25, cross.x, cross.y);
  else if (event.key === "-") magnify(0.8, cross.x, cross.y);
  else return;
  event.preventDefault();
});
slider.addEventListener("input", () => go(Number(slider.value)));
document.querySelectorAll("[data-tool]").forEach((b) => b.addEventListener("click", () => choose(b.dataset.tool)));
document.querySelectorAll("[data-view]").forEach((b) => b.addEventListener("click", () => show(b.dataset.view)));
document.getElementById("new").addEventListener("click", close_);
document.getElementById("out").addEventListener("click", leaveOut);
document.getElementById("undo").addEventListener("click", undo);
document.getElementById("save").addEventListener("click", save);
window.addEventListener("beforeunload", (event) => { if (done.length) event.preventDefault(); });
choose("front");
show("strips");
