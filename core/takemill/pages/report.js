"use strict";
// Figures on canvases: play, scrub, turn. Data: positions in millimetres, [frame][point][x y z], seen
// from the root track; [x y heading] of that track in millimetres and milliradians. With a mesh also the turns
// of joints, [frame][joint][w x y z], seen likewise.
(() => {
  const store = JSON.parse(document.getElementById("figures").textContent);
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const STILLS = 6, figures = [], all = document.getElementById("play-all");
  let colours = {};

  const numbers = (text) => {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const view = new DataView(bytes.buffer);
    return Int16Array.from({length: bytes.length / 2}, (_, k) => view.getInt16(2 * k, true));
  };
  const readColours = () => {
    const style = getComputedStyle(document.documentElement);
    for (const name of ["ink", "page", "soft", "line", "left", "right", "floor"])
      colours[name] = style.getPropertyValue("--" + name).trim();
  };
  const place = ([x, y, turn], [px, py, pz]) => {
    const c = Math.cos(turn), s = Math.sin(turn);
    return [x + c * px - s * py, y + s * px + c * py, pz];
  };
  const after = (a, b) => [...place(a, [b[0], b[1], 0]).slice(0, 2), a[2] + b[2]];
  const inverse = ([x, y, turn]) => [...place([0, 0, -turn], [-x, -y, 0]).slice(0, 2), -turn];

  const blend = (values, width, at, frames) => {  // `width` values of a frame, which may lie between two
    const low = Math.min(Math.floor(at), Math.max(frames - 2, 0)), part = Math.min(at - low, 1);
    const [a, b] = [low * width, Math.min(low + 1, frames - 1) * width];
    return Array.from({length: width}, (_, k) => values[a + k] * (1 - part) + values[b + k] * part);
  };
  const moving = (body, clip) => ({...clip, points: numbers(clip.points), turns: numbers(clip.turns), track: clip.track.flat(),
    width: 3 * body.parents.length, turning: 4 * (body.mesh ? body.mesh.turning.length : 0)});

  const chained = (numbers) => {  // clips played on as one, each from where the one before ended, at 30 frames a second
    const parts = numbers.map((k) => moving(store, store.clips[k])), names = [];
    const points = [], turns = [], track = [], planted = [[], []];
    let begin = [0, 0, 0], total = 0;
    parts.forEach((part, n) => {
      total += part.duration;
      for (; track.length / 3 / 30 <= total + 1e-6; ) {
        const at = Math.max(track.length / 90 - total + part.duration, 0) * (part.frames - 1) / part.duration;
        const frame = track.length / 3, [x, y, turn] = after(begin, blend(part.track, 3, at, part.frames).map((value) => value / 1000));
        part.planted.forEach((runs, foot) => {
          if (runs.some(([start, stop]) => Math.round(at) >= start && Math.round(at) < stop)) planted[foot].push([frame, frame + 1]);
        });
        points.push(...blend(part.points, part.width, at, part.frames));
        turns.push(...blend(part.turns, part.turning, at, part.frames));
        track.push(1000 * x, 1000 * y, 1000 * turn);
        names.push(store.names[numbers[n]]);
      }
      begin = after(begin, part.track.slice(-3).map((value) => value / 1000));
    });
    const frames = track.length / 3;
    const {width, turning} = parts[0];
    return {frames, duration: (frames - 1) / 30, loop: false, points, turns, track, planted, names, width, turning};
  };

  const paper = (canvas) => {  // a canvas as sharp as the screen, emptied
    const ratio = devicePixelRatio || 1, box = canvas.getBoundingClientRect(), pen = canvas.getContext("2d");
    const width = Math.round(box.width * ratio), height = Math.round(box.height * ratio);
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, {width, height});
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, box.width, box.height);
    return {pen, ratio, box};
  };

  class Figure {
    constructor(box) {
      const {chain, clip: number, sheet} = box.dataset;
      const clip = chain ? chained(chain.split(",").map(Number)) : moving(store, store.clips[number ?? sheet]);
      const others = sheet === undefined ? [] : store.beside.filter((body) => body.clips[sheet]);
      this.cast = [...others.map((body) => ({body, clip: moving(body, body.clips[sheet])})), {body: store, clip}];
      Object.assign(this, {frames: clip.frames, duration: clip.duration, loop: clip.loop, names: clip.names});
      Object.assign(this, {box, time: 0, playing: false, view: 0.6, tilt: 0.25, speed: 1, again: true, ghosts: true, mesh: true});
      this.step = clip.duration / Math.max(clip.frames - 1, 1) || 1;
      this.canvas = box.querySelector("canvas");
      this.stills = box.querySelector("details canvas");
      this.stills?.parentElement.addEventListener("toggle", () => this.drawStills());
      this.button = box.querySelector("button");
      this.slider = box.querySelector("input");
      this.clock = box.querySelector("output");
      this.slider.max = String(clip.frames - 1);
      this.button.addEventListener("click", () => this.play(!this.playing));
      this.slider.addEventListener("input", () => { this.play(false); this.time = this.slider.value * this.step; this.draw(); });
      box.querySelector("select").addEventListener("change", (event) => { this.speed = Number(event.target.value); });
      for (const tick of box.querySelectorAll("[data-does]"))
        tick.addEventListener("change", () => { this[tick.dataset.does] = tick.checked; this.draw(); });
      this.canvas.addEventListener("keydown", (event) => {
        const [turn, tilt] = {ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1]}[event.key] ?? [0, 0];
        const frames = {",": -1, ".": 1}[event.key];
        if (turn || tilt) this.orbit(turn, tilt);
        else if (frames) { this.play(false); this.time = (Math.round(this.shown() / this.step + frames + this.frames) % this.frames) * this.step; }
        else if (event.key === " ") this.play(!this.playing);
        else return;
        event.preventDefault();
        this.draw();
      });
      this.canvas.addEventListener("pointerdown", (event) => { this.canvas.setPointerCapture(event.pointerId); this.grip = [event.clientX, event.clientY]; });
      this.canvas.addEventListener("pointermove", (event) => {
        if (!this.grip) return;
        const upright = event.pointerType === "touch";  // a finger that goes up or down scrolls the page
        this.orbit((event.clientX - this.grip[0]) / 120, upright ? 0 : (event.clientY - this.grip[1]) / 160);
        this.grip = [event.clientX, event.clientY];
        this.draw();
      });
      for (const name of ["pointerup", "pointercancel"])
        this.canvas.addEventListener(name, () => { this.grip = undefined; });
    }

    orbit(turn, tilt) {
      this.view += turn;
      this.tilt = Math.min(Math.max(this.tilt + tilt, 0), 1.5);
    }

    play(on) {
      this.playing = on;
      this.button.textContent = on ? "Pause" : "Play";
      all.textContent = figures.every((figure) => figure.playing) ? "Pause all" : "Play all";
      if (on && !(this.loop && this.again) && this.time >= this.duration) this.time = 0;
      wake();
    }

    advance(seconds) {
      this.time += seconds * this.speed;
      if (this.loop && this.again || this.time <= this.duration) return;
      if (!this.again) { this.time = this.duration; this.play(false); }
      else if (this.time > this.duration + 0.6) this.time = 0;  // one-shots rest a moment on their last pose
    }

    shown() {  // seconds into the clip
      return this.loop && this.again ? this.time % this.duration : Math.min(this.time, this.duration);
    }

    pose({clip}, time) {  // root track, points and turns at a time; a loop goes on from where it ended
      const cycle = this.loop && (this.again || time < 0) ? Math.floor(time / this.duration) : 0;
      const at = Math.min(Math.max(time - cycle * this.duration, 0) / (clip.duration / Math.max(clip.frames - 1, 1) || 1), clip.frames - 1);
      const [all, mix] = [[clip.points, clip.width], [clip.track, 3]].map(([values, width]) =>
        blend(values, width, at, clip.frames).map((value) => value / 1000));
      const points = Array.from({length: clip.width / 3}, (_, k) => all.slice(3 * k, 3 * k + 3));
      const last = clip.track.slice(-3).map((value) => value / 1000);
      let begin = [0, 0, 0];
      for (let k = 0; k < cycle % 64; k++) begin = after(begin, last);
      if (cycle < 0) begin = inverse(last);
      return {root: after(begin, mix), points, turns: blend(clip.turns, clip.turning, at, clip.frames), frame: Math.round(at)};
    }

    draw() {
      const {pen, ratio, box} = paper(this.canvas), wide = box.width / this.cast.length;
      const time = this.shown();
      this.cast.forEach((one, k) => this.drawBody(pen, ratio, one, this.time, [k * wide, (k + 1) * wide, box.height]));
      this.box.closest("article").style.setProperty("--at", String(time / this.duration || 0));
      const frame = Math.min(Math.round(time / this.step), this.frames - 1);
      this.clock.textContent = (this.names ? this.names[frame] + " " : "") + time.toFixed(2) + " s";
      if (document.activeElement !== this.slider || this.playing) this.slider.value = String(Math.round(time / this.step));
    }

    drawBody(pen, ratio, one, time, room, text = one.body.name) {  // into a column of the canvas: from, to, height
      const {body, clip} = one, [from, to, height] = room, several = this.cast.length > 1;
      const now = this.pose(one, time), scale = this.scale(to - from, height, several), [cx, cy] = now.root, tilt = this.tilt;
      const c = Math.cos(this.view), s = Math.sin(this.view), up = Math.cos(tilt), over = Math.sin(tilt);
      const middle = (from + to) / 2, floor = (0.5 + 0.38 * up) * height - (several ? 14 : 0);
      const seen = ([x, y, z], isWay) => {  // to the right, up, to the viewer; a place seen from the body, or a way
        const across = c * (x - (isWay ? cx : 0)) + s * (y - (isWay ? cy : 0)), away = -s * (x - (isWay ? cx : 0)) + c * (y - (isWay ? cy : 0));
        return [across, z * up + away * over, z * over - away * up];
      };
      const shown = (point) => { const [x, y] = seen(point, true); return [middle + scale * x, floor - scale * y]; };
      const line = (a, b) => { pen.beginPath(); pen.moveTo(...shown(a)); pen.lineTo(...shown(b)); pen.stroke(); };
      pen.save();
      if (several) { pen.beginPath(); pen.rect(from, 0, to - from, height); pen.clip(); }
      pen.strokeStyle = colours.floor;
      pen.lineWidth = 1.5;
      const cell = store.height / 3.6, reach = 4 * cell;
      for (let k = -4; k <= 4; k++) {
        const gx = (Math.round(cx / cell) + k) * cell, gy = (Math.round(cy / cell) + k) * cell;
        line([gx, cy - reach, 0], [gx, cy + reach, 0]);
        line([cx - reach, gy, 0], [cx + reach, gy, 0]);
      }
      pen.lineCap = "round";
      const solid = this.mesh && body.mesh;
      const whole = (point, isPlace) => seen(place(isPlace ? now.root : [0, 0, now.root[2]], point), isPlace);
      if (solid) body.read ??= meshes.read(body.mesh);
      for (const [back, alpha] of [[0.24, 0.12], [0.16, 0.18], [0.08, 0.26], [0, 1]]) {
        if (back && (several || !this.ghosts || time < back && !this.loop)) continue;
        const {root, points, frame} = back ? this.pose(one, time - back) : now;
        const world = points.map((point) => place(root, point));
        pen.globalAlpha = alpha;
        pen.lineWidth = back ? 2 : several ? 2.5 : 3.5;
        if (back || !solid) this.drawSticks(pen, body, world, line, shown, scale, back);
        else meshes.draw(pen, ratio, body.read, points, now.turns, whole, middle, floor, scale, room);
        if (!back) body.feet.forEach((foot, n) => {
          const down = clip.planted[n].some(([start, stop]) => frame >= start && frame < stop);
          for (const point of foot) {
            pen.beginPath();
            pen.arc(...shown(world[point]), (down ? 5 : 3) * (several ? 0.7 : 1), 0, 7);
            pen.fillStyle = colours[down ? (n ? "right" : "left") : "page"];
            pen.strokeStyle = colours[n ? "right" : "left"];
            pen.lineWidth = 1.5;
            pen.fill();
            pen.stroke();
          }
        });
      }
      pen.globalAlpha = 1;
      if (several) {
        pen.fillStyle = colours.ink;
        pen.textAlign = "center";
        pen.font = "13px system-ui, sans-serif";
        pen.fillText(text, middle, height - 6, to - from - 4);
      }
      pen.restore();
    }

    drawStills() {  // the same moments of all, below each other
      if (!this.stills?.parentElement.open) return;
      const {pen, ratio, box} = paper(this.stills), rows = this.cast.length, last = this.loop ? STILLS : STILLS - 1;
      const high = box.height / rows, wide = box.width / STILLS;
      this.cast.forEach((one, row) => {
        for (let k = 0; k < STILLS; k++) {
          pen.save();
          pen.translate(0, row * high);
          const time = (k / last) * this.duration * (1 - 1e-9);
          this.drawBody(pen, ratio, one, time, [k * wide, (k + 1) * wide, high], k ? time.toFixed(2) + " s" : one.body.name);
          pen.restore();
        }
      });
    }

    scale(width, height, several) {  // pixels of a metre: bodies side by side keep their sizes
      if (!several) return 0.8 * height / store.height;
      return Math.min(0.72 * height, 0.9 * width) / Math.max(...this.cast.map(({body}) => body.height));
    }

    drawSticks(pen, body, world, line, shown, scale, back) {
      body.parents.forEach((parent, k) => {
        if (parent < 0) return;
        pen.strokeStyle = colours[body.sides[k]];
        line(world[parent], world[k]);
      });
      if (!body.head.length || back && this.mesh && body.mesh) return;
      const [low, high] = body.head.map((point) => world[point]);
      pen.beginPath();
      pen.arc(...shown(low.map((value, n) => (value + high[n]) / 2)), 0.45 * scale * Math.hypot(...low.map((value, n) => value - high[n])), 0, 7);
      pen.strokeStyle = pen.fillStyle = colours.ink;
      if (back) pen.stroke(); else { pen.fillStyle = colours.page; pen.fill(); pen.stroke(); }
    }
  }

  let before, awake = false;
  const tick = (now) => {
    const seconds = before === undefined ? 0 : Math.min((now - before) / 1000, 0.1);
    before = now;
    const running = figures.filter((figure) => figure.playing);
    for (const figure of running) { figure.advance(seconds); if (figure.seen) figure.draw(); }
    awake = running.length > 0;
    if (awake) requestAnimationFrame(tick);
  };
  const wake = () => { if (!awake) { awake = true; before = undefined; requestAnimationFrame(tick); } };

  readColours();
  for (const box of document.querySelectorAll("[data-clip], [data-chain], [data-sheet]")) figures.push(new Figure(box));
  const redraw = () => { readColours(); for (const figure of figures) { figure.draw(); figure.drawStills(); } };
  const watcher = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      const figure = figures.find((one) => one.canvas === entry.target);
      figure.seen = entry.isIntersecting;
      if (figure.seen) figure.draw();
    }
  });
  for (const figure of figures) watcher.observe(figure.canvas);
  addEventListener("resize", redraw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  redraw();
  all.hidden = false;
  all.addEventListener("click", () => {
    const on = !figures.every((figure) => figure.playing);
    for (const figure of figures) figure.play(on);
  });
  const pair = document.getElementById("pair");
  const cells = [...document.querySelectorAll(".heat td")], wide = Math.round(Math.sqrt(cells.length));
  cells.forEach((cell, k) => {
    for (const name of ["focus", "pointerenter"]) cell.addEventListener(name, () => { pair.textContent = cell.title; });
    cell.addEventListener("keydown", (event) => {
      const [right, down] = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[event.key] ?? [0, 0];
      const column = k % wide + right, next = cells[k + right + down * wide];
      if (!right && !down || column < 0 || column >= wide || !next) return;
      event.preventDefault();
      cell.tabIndex = -1;
      next.tabIndex = 0;
      next.focus();
    });
  });
  if (!calm.matches && figures.length) figures[0].play(true);
})();
