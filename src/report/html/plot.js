
// Reading and zoom. Everything else on the page works without this.
(() => {
const SVG = 'http://www.w3.org/2000/svg';
const STEP = 1.6; // one step of zoom
const NARROW = 640; // px; below, the drawing is made again in the size of the screen
const LABEL = 11; // px
const GAP = 14; // px between labels
const DRAG = 6; // px; less is a tap

// Points of a recording: places and counts, without those that hold nothing.
function points(text) {
  const [head, ...rows] = text.trim().split(/\r?\n/);
  const count = head.split(',').indexOf('intensity');
  const all = [];
  for (const row of rows) {
    const cells = row.split(',');
    if (cells[count] !== '') all.push([+cells[0], +cells[count], cells[cells.length - 1]]);
  }
  return all;
}

// Round steps for an axis.
function ticks(low, high, wanted) {
  const rough = (high - low) / Math.max(wanted, 1);
  const unit = 10 ** Math.floor(Math.log10(rough));
  const step = unit * ([1, 2, 5].find((f) => f * unit >= rough * 0.999) || 10);
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const out = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k++) {
    out.push([k * step, (k * step).toFixed(Math.min(places, 12))]);
  }
  return out;
}

const digits = (v) => Math.abs(v) >= 1e7 || (v !== 0 && Math.abs(v) < 1e-2)
  ? v.toExponential(3) : String(+v.toPrecision(6));

class Plot {
  constructor(figure, link) {
    this.figure = figure;
    this.link = link;
    this.paper = figure.querySelector('.paper');
    this.still = this.paper.querySelector('svg');
    const read = (name) => this.still.dataset[name].split(' ').map(Number);
    this.area = read('area');
    this.whole = read('range');
    this.view = [...this.whole];
    this.nm = this.still.dataset.axis === 'nm';
    this.unit = this.still.dataset.unit;
    this.ink = this.still.querySelector('.headline').getAttribute('fill');
    this.marks = [...this.still.querySelectorAll('[data-at]')].map((g) => ({
      at: +g.dataset.at,
      label: g.dataset.label || g.querySelector('title').textContent.split(';')[0],
      title: g.querySelector('title').textContent,
      fill: g.querySelector('text')?.getAttribute('fill')
        || g.querySelector('polyline').getAttribute('stroke') || this.ink,
    }));
    this.spans = [...this.still.querySelectorAll('[data-from]')].map((g) => ({
      from: +g.dataset.from, to: +g.dataset.to, claim: g.classList.contains('claim'),
      title: g.querySelector('title').textContent,
      shaded: g.classList.contains('claim') || g.querySelector('rect') !== null,
      name: g.querySelector('text')?.textContent || '',
    }));
    this.at = null;
    this.touches = new Map();
    this.build();
    this.listen();
    this.fit();
  }

  build() {
    this.figure.classList.add('on');
    this.paper.tabIndex = 0;
    this.paper.setAttribute('aria-label', `${this.paper.getAttribute('aria-label')}. Left and right ` +
      'arrow read point by point, with Shift line by line; plus and minus zoom, Page Up and Page ' +
      'Down move, Home shows the whole.');
    this.live = document.createElementNS(SVG, 'svg');
    this.live.setAttribute('class', 'live-view');
    this.live.setAttribute('role', 'img');
    this.live.setAttribute('aria-label', this.still.getAttribute('aria-label'));
    this.paper.append(this.live);
    this.cursor = document.createElement('div');
    this.cursor.className = 'cursor';
    this.cursor.hidden = true;
    this.chosen = document.createElement('div');
    this.chosen.className = 'chosen';
    this.chosen.hidden = true;
    this.paper.append(this.cursor, this.chosen);
    const tools = document.createElement('div');
    tools.className = 'tools';
    tools.setAttribute('role', 'group');
    tools.setAttribute('aria-label', `Reading of ${this.still.getAttribute('aria-label')}`);
    const button = (sign, name, act) => {
      const b = document.createElement('button');
      b.type = 'button';
      b.textContent = sign;
      b.setAttribute('aria-label', name);
      b.addEventListener('click', async () => { await this.load(); act(); });
      tools.append(b);
      return b;
    };
    this.buttons = [
      button('+', 'Zoom in', () => this.zoom(STEP)),
      button('−', 'Zoom out', () => this.zoom(1 / STEP)),
      button('←', 'Move to shorter wavelengths', () => this.pan(-0.4)),
      button('→', 'Move to longer wavelengths', () => this.pan(0.4)),
      button('whole', 'Whole recording', () => this.show(...this.whole)),
    ];
    this.words = document.createElement('output');
    this.words.setAttribute('aria-live', 'polite');
    this.words.textContent = 'Point at the curve or touch it, or use the arrow keys, to read it. ' +
      'Drag over a stretch, or pinch, to look closer.';
    tools.append(this.words);
    this.figure.append(tools);
    this.state();
  }

  // The recording, unpacked when it is first asked for.
  load() {
    this.loading ||= unpacked(this.link).then((text) => { this.points = points(text); });
    return this.loading;
  }

  get zoomed() {
    return this.view[1] - this.view[0] < (this.whole[1] - this.whole[0]) * 0.9999;
  }

  // Left, right of the plotting area and width of the paper, px of the screen.
  box() {
    const width = this.paper.clientWidth;
    if (this.figure.classList.contains('live')) return [58, width - 14, width];
    const scale = width / this.still.viewBox.baseVal.width;
    return [this.area[0] * scale, this.area[2] * scale, width];
  }

  px(x) {
    const [left, right] = this.box();
    return left + (x - this.view[0]) / (this.view[1] - this.view[0]) * (right - left);
  }

  place(event) {
    const [left, right] = this.box();
    const x = event.clientX - this.paper.getBoundingClientRect().left - this.paper.clientLeft;
    const share = Math.min(1, Math.max(0, (x - left) / (right - left)));
    return this.view[0] + share * (this.view[1] - this.view[0]);
  }

  show(low, high) {
    const whole = this.whole[1] - this.whole[0];
    // Never closer than about eight points.
    const least = this.points && this.points.length > 8
      ? 8 * whole / this.points.length : whole / 200;
    let span = Math.min(whole, Math.max(least, high - low));
    let start = (low + high - span) / 2;
    start = Math.min(this.whole[1] - span, Math.max(this.whole[0], start));
    this.view = [start, start + span];
    this.draw();
    this.state();
  }

  zoom(factor, about) {
    const [low, high] = this.view;
    const inside = this.at !== null && this.at >= low && this.at <= high;
    const centre = about ?? (inside ? this.at : (low + high) / 2);
    this.show(centre - (centre - low) / factor, centre + (high - centre) / factor);
  }

  pan(share) {
    const by = share * (this.view[1] - this.view[0]);
    const room = by < 0 ? this.whole[0] - this.view[0] : this.whole[1] - this.view[1];
    const step = by < 0 ? Math.max(by, room) : Math.min(by, room);
    this.show(this.view[0] + step, this.view[1] + step);
  }

  state() {
    const e = (this.whole[1] - this.whole[0]) * 1e-6;
    const off = [false, !this.zoomed, this.view[0] <= this.whole[0] + e,
      this.view[1] >= this.whole[1] - e, !this.zoomed];
    // A button that has the focus keeps it, or the keyboard would be lost.
    this.buttons.forEach((b, i) => b.setAttribute('aria-disabled', String(off[i])));
  }

  // On a narrow screen the drawing is always made in its size.
  fit() {
    const narrow = this.paper.clientWidth < NARROW;
    if (narrow || this.zoomed) this.load().then(() => this.draw());
    else this.draw();
  }

  draw() {
    const live = this.points && (this.zoomed || this.paper.clientWidth < NARROW);
    this.figure.classList.toggle('live', Boolean(live));
    if (live) this.redraw();
    this.mark();
  }

  redraw() {
    const [left, right, width] = this.box();
    const scale = width / this.still.viewBox.baseVal.width;
    const height = Math.max(340, Math.round(this.still.viewBox.baseVal.height * scale));
    const [top, bottom] = [118, height - 44];
    const [low, high] = this.view;
    const svg = this.live;
    svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
    svg.replaceChildren();
    const add = (name, attributes, text) => {
      const e = document.createElementNS(SVG, name);
      for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
      if (text !== undefined) e.textContent = text;
      svg.append(e);
      return e;
    };
    const ink = this.ink;
    const name = this.still.getAttribute('aria-label');
    const most = Math.floor(width / 9); // letters that fit at this size
    const soft = '#57606b';
    const paper = '#fcfbf8';
    add('rect', {width, height, fill: paper});
    add('text', {x: 12, y: 20, 'font-size': 14, 'font-weight': 'bold', fill: ink},
      name.length > most ? `${name.slice(0, most - 1)}…` : name);
    let seen = this.points.filter((p) => p[0] >= low && p[0] <= high);
    const first = this.points.findIndex((p) => p[0] >= low);
    if (first > 0) seen = [this.points[first - 1], ...seen];
    const after = this.points.find((p) => p[0] > high);
    if (after) seen = [...seen, after];
    let floor = Infinity;
    let peak = -Infinity;
    for (const p of seen) {
      floor = Math.min(floor, p[1]);
      peak = Math.max(peak, p[1]);
    }
    if (!(peak > floor)) peak = floor + 1;
    const py = (y) => bottom - (y - floor) / (peak - floor) * (bottom - top);
    let claims = 0;
    const names = []; // written last, over curve and leaders
    for (const s of this.spans) {
      const [a, b] = [Math.max(s.from, low), Math.min(s.to, high)];
      if (b <= a) continue;
      const g = add('g', {});
      if (s.claim) claims++;
      if (this.px(b) - this.px(a) > 44 || s.claim)
        names.push([{x: this.px(a) + 4, y: top + 13 + 15 * (s.claim ? claims : 0), 'font-size': 11,
          fill: s.claim ? '#a33b0b' : soft, stroke: paper, 'stroke-width': 3,
          'paint-order': 'stroke'}, s.name]);
      if (!s.shaded) continue;
      const rect = add('rect', {x: this.px(a), y: top, width: this.px(b) - this.px(a),
        height: bottom - top, fill: s.claim ? '#a33b0b' : soft, 'fill-opacity': s.claim ? 0.1 : 0.05});
      const title = document.createElementNS(SVG, 'title');
      title.textContent = s.title;
      g.append(rect, title);
    }
    const clip = (x) => Math.min(right, Math.max(left, x));
    let path = '';
    let column = [];
    const flush = () => {
      // First, lowest, highest and last of those that share a place on the screen.
      if (column.length > 4) {
        const by = [...column].sort((a, b) => a[1] - b[1]);
        const keep = new Set([column[0], by[0], by[by.length - 1], column[column.length - 1]]);
        column = column.filter((p) => keep.has(p));
      }
      for (const p of column) path += `${path ? 'L' : 'M'}${clip(p[0]).toFixed(1)},${p[1].toFixed(1)}`;
      column = [];
    };
    for (const p of seen) {
      const here = [this.px(p[0]), py(p[1])];
      if (column.length && Math.floor(column[0][0]) !== Math.floor(here[0])) flush();
      column.push(here);
    }
    flush();
    if (path) {
      add('path', {d: `${path}L${right},${bottom}L${left},${bottom}Z`, fill: '#1c556e',
        'fill-opacity': 0.13});
      add('path', {d: path, fill: 'none', stroke: '#1c556e', 'stroke-width': 1.3,
        'stroke-linejoin': 'round'});
    }
    add('path', {d: `M${left},${top}V${bottom}H${right}`, fill: 'none', stroke: ink});
    for (const [v, text] of ticks(low, high, width / 90)) {
      add('path', {d: `M${this.px(v)},${bottom}v5`, stroke: ink});
      add('text', {x: this.px(v), y: bottom + 18, 'font-size': 12, 'text-anchor': 'middle', fill: ink}, text);
    }
    for (const [v, text] of ticks(floor, peak, (bottom - top) / 50)) {
      add('path', {d: `M${left},${py(v)}h-5`, stroke: ink});
      add('text', {x: left - 8, y: py(v) + 4, 'font-size': 11, 'text-anchor': 'end', fill: ink},
        Math.abs(v) >= 1e6 ? v.toExponential(1) : text);
    }
    add('text', {x: (left + right) / 2, y: height - 8, 'font-size': 12, 'text-anchor': 'middle',
      fill: ink}, this.nm ? 'wavelength / nm (air)' : 'pixel');
    add('text', {x: left, y: top - 94 + 14, 'font-size': 11, 'text-anchor': 'end', fill: soft},
      this.unit);
    this.label(seen, py, top, left, right, add);
    for (const [attributes, name] of names) add('text', attributes, name);
  }

  label(seen, py, top, left, right, add) {
    const near = (x) => {
      let best = null;
      for (const p of seen) if (!best || Math.abs(p[0] - x) < Math.abs(best[0] - x)) best = p;
      return best ? best[1] : 0;
    };
    const marks = this.marks.filter((m) => m.at >= this.view[0] && m.at <= this.view[1])
      .map((m) => ({...m, x: this.px(m.at), height: near(m.at)}))
      .sort((a, b) => b.height - a.height);
    const taken = [];
    for (const m of marks) {
      const tip = py(m.height);
      // A label may stand aside by its own width, not more.
      const at = [0, GAP, -GAP].map((d) => m.x + d)
        .find((x) => x > left + 4 && x < right - 2 && taken.every((t) => Math.abs(t - x) >= GAP));
      const g = add('g', {});
      const title = document.createElementNS(SVG, 'title');
      title.textContent = m.title;
      g.append(title);
      if (at === undefined) {
        g.append(add('path', {d: `M${m.x},${tip - 3}v-5`, stroke: m.fill, fill: 'none'}));
        continue;
      }
      taken.push(at);
      g.append(add('path', {d: `M${m.x},${tip - 3}V${top - 8}L${at},${top - 16}`, stroke: '#a7aeb6',
        fill: 'none'}));
      const y = top - 20;
      g.append(add('text', {x: at + LABEL * 0.35, y, transform: `rotate(-90 ${at + LABEL * 0.35} ${y})`,
        'font-size': LABEL, fill: m.fill === '#a7aeb6' ? this.ink : m.fill}, m.label));
    }
  }

  // The nearest point to a place.
  index(x) {
    let [a, b] = [0, this.points.length - 1];
    while (b - a > 1) {
      const m = (a + b) >> 1;
      if (this.points[m][0] < x) a = m; else b = m;
    }
    return Math.abs(this.points[a][0] - x) <= Math.abs(this.points[b][0] - x) ? a : b;
  }

  read(x) {
    if (!this.points || !this.points.length) return;
    const p = this.points[this.index(x)];
    this.at = p[0];
    const unit = this.nm ? ' nm (air)' : '';
    let text = `${this.nm ? '' : 'pixel '}${this.nm ? p[0].toFixed(2) : digits(p[0])}${unit}: ` +
      `${digits(p[1])} ${this.unit}`;
    if (p[2] && p[2] !== 'good') text += ` (${p[2]})`;
    // Near: within a few px on the screen, or a nm where that is more.
    const reach = Math.max((this.view[1] - this.view[0]) * 0.005, this.nm ? 1 : 2);
    const near = this.marks.filter((m) => Math.abs(m.at - p[0]) <= reach)
      .sort((a, b) => Math.abs(a.at - p[0]) - Math.abs(b.at - p[0])).slice(0, 2);
    if (near.length) text += `. Near: ${near.map((m) => m.title).join('. And: ')}`;
    this.words.textContent = text;
    this.mark();
  }

  mark() {
    const inside = this.at !== null && this.at >= this.view[0] && this.at <= this.view[1];
    this.cursor.hidden = !inside;
    if (inside) this.cursor.style.left = `${this.px(this.at)}px`;
  }

  // One point on, or with `line` to the next line.
  step(way, line) {
    if (this.at === null) return this.read((this.view[0] + this.view[1]) / 2);
    let to;
    if (line) {
      const beyond = this.marks.filter((m) => (m.at - this.at) * way > 0.05)
        .sort((a, b) => (a.at - b.at) * way);
      if (!beyond.length) return;
      to = beyond[0].at;
    } else {
      const i = Math.min(this.points.length - 1, Math.max(0, this.index(this.at) + way));
      to = this.points[i][0];
    }
    if (to < this.view[0] || to > this.view[1]) {
      const half = (this.view[1] - this.view[0]) / 2;
      this.show(to - half, to + half);
    }
    this.read(to);
  }

  listen() {
    const paper = this.paper;
    paper.addEventListener('keydown', async (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey) return;
      const acts = {
        ArrowLeft: () => this.step(-1, e.shiftKey),
        ArrowRight: () => this.step(1, e.shiftKey),
        '+': () => this.zoom(STEP), '=': () => this.zoom(STEP),
        '-': () => this.zoom(1 / STEP),
        Home: () => this.show(...this.whole), 0: () => this.show(...this.whole),
        Escape: () => this.show(...this.whole),
      };
      // Without zoom the page itself moves.
      if (this.zoomed) Object.assign(acts, {PageUp: () => this.pan(-0.5), PageDown: () => this.pan(0.5)});
      if (!acts[e.key]) return;
      e.preventDefault();
      await this.load();
      acts[e.key]();
    });
    paper.addEventListener('pointerenter', () => this.load());
    paper.addEventListener('wheel', (e) => {
      // A page that is being scrolled is not caught: only with Ctrl, or after a click here.
      if (!this.points || !(e.ctrlKey || document.activeElement === paper)) return;
      if (e.deltaY > 0 && !this.zoomed) return;
      e.preventDefault();
      this.zoom(e.deltaY < 0 ? 1.25 : 0.8, this.place(e));
    }, {passive: false});
    paper.addEventListener('dblclick', (e) => { if (this.points) this.zoom(2, this.place(e)); });
    paper.addEventListener('pointerdown', async (e) => {
      if (e.button !== 0) return;
      this.touches.set(e.pointerId, e.clientX);
      this.from = {x: e.clientX, at: this.place(e), view: [...this.view], moved: false,
        pan: (this.zoomed && !e.shiftKey) || e.pointerType === 'touch', kind: e.pointerType};
      if (this.touches.size === 2) this.pinch = this.spread();
      await this.load();
      this.read(this.place(e));
    });
    paper.addEventListener('pointermove', (e) => this.move(e));
    const up = (e) => {
      const from = this.from;
      this.touches.delete(e.pointerId);
      if (this.touches.size < 2) this.pinch = null;
      if (!this.touches.size) this.from = null;
      const box = !this.chosen.hidden;
      this.chosen.hidden = true;
      if (e.type === 'pointerup' && box && from && from.moved && this.points) {
        const to = this.place(e);
        this.show(Math.min(from.at, to), Math.max(from.at, to));
      }
    };
    paper.addEventListener('pointerup', up);
    paper.addEventListener('pointercancel', up);
    new ResizeObserver(() => this.fit()).observe(paper);
  }

  spread() {
    const [a, b] = [...this.touches.values()];
    return {apart: Math.abs(a - b), middle: (a + b) / 2, view: [...this.view]};
  }

  move(e) {
    if (!this.points) return;
    const from = this.from;
    if (!from || !this.touches.has(e.pointerId)) {
      if (e.pointerType === 'mouse') this.read(this.place(e));
      return;
    }
    this.touches.set(e.pointerId, e.clientX);
    const [left, right] = this.box();
    if (this.pinch && this.touches.size === 2) {
      const now = this.spread();
      const {apart, middle, view} = this.pinch;
      const rect = this.paper.getBoundingClientRect();
      const share = (x) => (x - rect.left - left) / (right - left);
      const span = (view[1] - view[0]) * Math.max(20, apart) / Math.max(20, now.apart);
      const held = view[0] + share(middle) * (view[1] - view[0]);
      const low = held - share(now.middle) * span;
      this.show(low, low + span);
      return;
    }
    if (Math.abs(e.clientX - from.x) < DRAG && !from.moved) return;
    if (!from.moved) {
      from.moved = true;
      this.paper.setPointerCapture(e.pointerId);
    }
    if (from.pan && this.zoomed) {
      const by = (from.x - e.clientX) / (right - left) * (from.view[1] - from.view[0]);
      const room = Math.min(this.whole[1] - from.view[1], Math.max(this.whole[0] - from.view[0], by));
      this.show(from.view[0] + room, from.view[1] + room);
    } else if (from.pan) {
      this.read(this.place(e));
    } else {
      const [a, b] = [this.px(from.at), this.px(this.place(e))];
      this.chosen.hidden = false;
      this.chosen.style.left = `${Math.min(a, b)}px`;
      this.chosen.style.width = `${Math.abs(a - b)}px`;
      this.read(this.place(e));
    }
  }
}

if ('DecompressionStream' in window && 'ResizeObserver' in window) {
  for (const figure of document.querySelectorAll('figure.reads')) {
    const link = figure.parentElement.querySelector('a.recording');
    if (link) figure.plot = new Plot(figure, link);
  }
}
})();
