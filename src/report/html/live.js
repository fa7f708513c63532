'use strict';
// The picture of the whole log, alive: what every channel reads at one moment, closer
// and along in time, and to where a table speaks of. Its data stands in the page as
// text; without this script the page shows the same picture at rest.
(() => {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId('samples').textContent);
  const root = byId('live');

  // ------------------------------------------------------------------ the samples

  const DIGITS = 'ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/';
  const digit = new Map([...DIGITS].map((letter, k) => [letter, k]));

  // Differences in base 64, five bits a letter, the lowest first and the sign in the
  // lowest bit; "!" is no value, "*" says how often the last one comes again.
  const decode = (text, per) => {
    const out = [];
    let [k, level, step] = [0, 0, NaN];
    const number = () => {
      let [sum, scale, part] = [0, 1, 0];
      do {
        part = digit.get(text[k]);
        k += 1;
        sum += (part % 32) * scale;
        scale *= 32;
      } while (part >= 32);
      return sum % 2 ? -(sum - 1) / 2 : sum / 2;
    };
    const put = () => {
      if (!Number.isNaN(step)) level += step;
      out.push(Number.isNaN(step) ? NaN : level / per);
    };
    while (k < text.length) {
      if (text[k] === '*') {
        k += 1;
        for (let n = number(); n > 0; n -= 1) put();
      } else {
        if (text[k] === '!') { step = NaN; k += 1; } else step = number();
        put();
      }
    }
    return out;
  };

  const time = decode(data.time, data.ticks_per_s);
  const last = time.length - 1;
  const whole = { from: 0, to: Math.max(time[last], data.duration_s) || 1 };
  // Where a long log was thinned, a cell is a bucket: its lowest, its highest, and when.
  const thinned = data.bucket_samples > 1;
  const channels = data.channels.map((told) => {
    const values = (text) => decode(text, told.steps_per_unit).map((v) => v * told.factor + told.origin);
    const low = values(told.low);
    const after = (text) => decode(text, data.ticks_per_s).map((s, k) => time[k] + s);
    return thinned ? { ...told, low, high: values(told.high), lowAt: after(told.low_after), highAt: after(told.high_after), shown: true }
      : { ...told, low, high: low, lowAt: time, highAt: time, shown: true };
  });
  const breaks = new Set(data.gaps.map(([, end]) => time.findIndex((t) => t >= end - 1e-6)));
  const lines = channels.filter((c) => c.kind !== 'load');
  const loads = channels.filter((c) => c.kind === 'load');

  // The last cell that begins at or before `t`.
  const cellBefore = (t) => {
    let [from, to] = [0, last];
    while (from < to) {
      const middle = Math.ceil((from + to) / 2);
      if (time[middle] <= t) from = middle; else to = middle - 1;
    }
    return from;
  };
  const cellAt = (t) => {
    const k = cellBefore(t);
    return !thinned && k < last && time[k + 1] - t < t - time[k] ? k + 1 : k;
  };

  // ------------------------------------------------------------------ words

  const decimalsOf = (per) => Math.max(0, Math.round(Math.log10(per)));
  const number = (value, decimals) => value.toFixed(decimals).replace('-', '−');
  const seconds = (t) => `${number(t, Math.min(3, decimalsOf(data.ticks_per_s)))} s`;
  const duty = (value) => (value === 0 ? 'off' : value === 1 ? 'on' : `${Math.round(value * 1000) / 10} %`);
  const worth = (channel, value) => (channel.kind === 'load' ? duty(value)
    : `${number(value, decimalsOf(channel.steps_per_unit))} ${channel.unit}`);
  const reading = (channel, k) => {
    const [low, high] = [channel.low[k], channel.high[k]];
    if (Number.isNaN(low)) return 'no value';
    if (low === high) return worth(channel, low);
    return `${worth(channel, low)} (${seconds(channel.lowAt[k])}) to ${worth(channel, high)} (${seconds(channel.highAt[k])})`;
  };
  const bucketEnd = (k) => {
    const next = k < last ? time[k + 1] : whole.to;
    const gap = data.gaps.find(([start]) => start >= time[k] && start < next);
    return gap ? gap[0] : next;
  };
  const momentWords = (k) => {
    const when = thinned ? `${seconds(time[k])} to ${seconds(bucketEnd(k))}` : seconds(time[k]);
    const phase = data.phases.find(([, from, to]) => from <= time[k] && time[k] <= to);
    const step = data.steps.filter(([, at]) => at <= time[k]).pop();
    return { when, where: [phase && phase[0], step && `after step ${step[0]}: ${step[3]}`].filter(Boolean).join(', ') };
  };

  // ------------------------------------------------------------------ the parts of the page

  const make = (name, attributes = {}, ...children) => {
    const element = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    element.append(...children);
    return element;
  };
  const SVG = 'http://www.w3.org/2000/svg';
  const mark = (parent, name, attributes, text) => {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  };
  const button = (text, label, act) => {
    const made = make('button', { type: 'button', 'aria-label': label, title: label }, text);
    made.addEventListener('click', act);
    return made;
  };
  const picture = make('div', { class: 'plot canvas', id: 'picture', tabindex: '0', role: 'slider',
    'aria-label': 'Moment in the picture of the log, in seconds', 'aria-describedby': 'live-keys',
    'aria-valuemin': '0', 'aria-valuemax': String(whole.to) });
  const moment = make('p', { class: 'moment' });
  const wholeButton = button('Whole log', 'Show the whole log', () => show(whole));
  const returnButton = button('', '', () => { origin?.focus(); origin?.scrollIntoView({ block: 'center' }); });
  returnButton.hidden = true;
  const tools = make('div', { class: 'tools', role: 'group', 'aria-label': 'What the picture shows' },
    button('+', 'Closer', () => zoom(0.5, time[at])), button('−', 'Further away', () => zoom(2, time[at])),
    button('◂', 'Earlier', () => pan(-0.4)), button('▸', 'Later', () => pan(0.4)), wholeButton, returnButton);
  const chips = make('fieldset', { class: 'chips plot' }, make('legend', {}, 'Channels and their readings; untick to hide'));
  // On one scale lines differ in their dashes too, not in hue alone.
  for (const channel of channels) {
    const before = lines.filter((c) => c.kind === channel.kind).indexOf(channel);
    channel.dash = channel.kind === 'load' ? 'none' : ['none', '7 3', '2 3'][before % 3];
    const box = make('input', { type: 'checkbox' });
    box.checked = true;
    box.addEventListener('change', () => { channel.shown = box.checked; draw(); });
    channel.told = make('output');
    const key = mark(make('span'), 'svg', { class: 'key', viewBox: '0 0 18 6' });
    mark(key, 'path', { d: 'M0 3H18', stroke: channel.ink, 'stroke-width': channel.kind === 'load' ? 6 : 3, 'stroke-dasharray': channel.dash });
    chips.append(make('label', {}, box, key, make('span', { class: 'name' }, channel.name), channel.told));
  }
  const keys = make('p', { class: 'keys', id: 'live-keys' },
    'Point or tap to read. Drag across to zoom in, drag again to move; pinch, or click and turn the wheel, to zoom. '
    + 'Keys: ← → move, ↑ ↓ next step, + − zoom, Page up and Page down move by half, Esc shows the whole log.');
  const help = make('details', { class: 'help' }, make('summary', {}, 'How to move around in this picture'), keys);
  root.append(tools, picture, moment, chips, help);

  // ------------------------------------------------------------------ drawing

  const { ink } = data;
  // Letters over lines and grounds stand on a rim of the paper's colour.
  const halo = { stroke: ink.plate, 'stroke-width': 3, 'paint-order': 'stroke' };
  const word = (parent, x, y, text, more = {}) => mark(parent, 'text', { x, y, dy: '.35em', fill: ink.text, ...more }, text);

  const ticks = (low, high, most) => {
    const rough = (high - low) / Math.max(most, 1);
    const ten = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((n) => n * ten).find((n) => n >= rough);
    const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const out = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) out.push([n * step, number(n * step, decimals)]);
    return out;
  };

  let view = { ...whole };
  let at = 0; // the cell under the crosshair
  let origin = null; // where the reader came from
  let frame = null; // what was drawn last

  const isWhole = () => view.from <= whole.from && view.to >= whole.to;

  // Panels by what they measure, each on its own scale.
  const KINDS = [['volts', 'V'], ['drop', 'V'], ['amps', 'A'], ['rpm', 'rpm'], ['degrees', data.degree]];
  const TITLES = { volts: 'voltage', drop: 'lost in the ground', amps: 'current', rpm: 'speed', degrees: 'temperature' };

  // What a panel's scale must hold: the whole log on the scale of the picture at rest,
  // closer what is in view.
  const scaleOf = (kind, own) => {
    if (kind === 'volts' && isWhole()) return data.range_v;
    let [low, high] = [Infinity, -Infinity];
    // The starter would flatten all the rest; what leaves the scale is told where it does.
    const cranked = isWhole() ? data.phases.filter(([name]) => name === 'cranking') : [];
    for (let k = cellBefore(view.from); k <= last && time[k] <= view.to; k += 1) {
      if (cranked.some(([, from, to]) => from - 0.5 <= time[k] && time[k] <= to + 0.5)) continue;
      for (const channel of own) {
        if (channel.low[k] < low) low = channel.low[k];
        if (channel.high[k] > high) high = channel.high[k];
      }
    }
    if (low > high) [low, high] = [0, 1];
    const least = { volts: 0.3, drop: 0.05, amps: 5, rpm: 200, degrees: 5 }[kind];
    const pad = Math.max((high - low) * 0.08, (least - (high - low)) / 2, 0);
    return [low - pad, high + pad];
  };

  // One column of pixels tells its first, lowest, highest and last value, so that
  // nothing that was logged is missing from the line.
  const tracePath = (channel, x, y) => {
    let d = '';
    let column = null;
    let pen = 'M';
    const place = (px, value) => { d += `${pen}${px.toFixed(1)} ${y(value).toFixed(1)}`; pen = 'L'; };
    const flush = () => {
      if (!column) return;
      place(column.x, column.first);
      if (column.low < column.first) place(column.x, column.low);
      if (column.high > column.low) place(column.x, column.high);
      if (column.last !== column.high) place(column.x, column.last);
      column = null;
    };
    const take = (t, value) => {
      const px = x(t);
      if (column && Math.floor(column.x) === Math.floor(px)) {
        column.low = Math.min(column.low, value);
        column.high = Math.max(column.high, value);
        column.last = value;
      } else {
        flush();
        column = { x: px, first: value, low: value, high: value, last: value };
      }
    };
    const from = Math.max(0, cellBefore(view.from) - 1);
    for (let k = from; k <= last; k += 1) {
      const [low, high] = [channel.low[k], channel.high[k]];
      if (breaks.has(k) || Number.isNaN(low)) { flush(); if (d) { if (pen === 'L') pen = 'M'; } }
      if (!Number.isNaN(low)) {
        const [a, b] = [[channel.lowAt[k], low], [channel.highAt[k], high]];
        for (const [t, value] of a[0] <= b[0] ? [a, b] : [b, a]) take(t, value);
      }
      if (time[k] > view.to) break;
    }
    flush();
    return d;
  };

  const lanePath = (channel, x, top, height) => {
    let d = '';
    let start = null;
    const close = (t) => {
      const [a, b] = [x(Math.max(start.t, view.from)), x(Math.min(t, view.to))];
      if (b > a) d += `M${a.toFixed(1)} ${top + height}v${(-height * start.duty).toFixed(1)}h${Math.max(b - a, 1).toFixed(1)}V${top + height}z`;
      start = null;
    };
    for (let k = Math.max(0, cellBefore(view.from)); k <= last; k += 1) {
      const value = Number.isNaN(channel.high[k]) ? 0 : channel.high[k];
      if (start && (value !== start.duty || breaks.has(k))) close(breaks.has(k) ? time[k - 1] : time[k]);
      if (!start && value > 0) start = { t: time[k], duty: value };
      if (time[k] > view.to) break;
    }
    if (start) close(view.to);
    return d;
  };

  const spread = (wanted, gap, top, foot) => {
    const placed = [];
    let floor = top;
    for (const label of wanted.sort((a, b) => a.y - b.y)) { label.at = Math.max(label.y, floor); floor = label.at + gap; placed.push(label); }
    let ceiling = foot;
    for (const label of placed.slice().reverse()) { label.at = Math.min(label.at, ceiling); ceiling = label.at - gap; }
    return placed;
  };

  const draw = () => {
    const width = Math.max(280, picture.clientWidth);
    const narrow = width < 620;
    const [left, right] = [narrow ? 46 : 60, width - (narrow ? 10 : 172)];
    const x = (t) => left + ((t - view.from) / (view.to - view.from)) * (right - left);
    const clamp = (px) => Math.min(right, Math.max(left, px));
    const svg = document.createElementNS(SVG, 'svg');
    svg.setAttribute('aria-hidden', 'true');
    svg.setAttribute('font-size', '13');

    // Phases and the numbers of the steps along the top.
    for (const [name, from, to] of data.phases) {
      const [a, b] = [clamp(x(from)), clamp(x(to))];
      if (b <= a) continue;
      mark(svg, 'rect', { x: a, y: 0, width: b - a, height: 18, fill: ink[name] });
      if (b - a > name.length * 8) word(svg, (a + b) / 2, 9, name, { 'text-anchor': 'middle' });
    }
    let y0 = 20;
    const numbers = mark(svg, 'g', {});
    const places = [];
    y0 += data.steps.length ? 54 : 22;
    const panels = [];
    for (const [kind, unit] of KINDS) {
      const own = lines.filter((c) => c.kind === kind && c.shown);
      if (!own.length) continue;
      const height = kind === 'volts' ? (narrow ? 230 : 300) : 84;
      const [low, high] = scaleOf(kind, own);
      const [top, foot] = [y0, y0 + height];
      const y = (value) => Math.min(foot + 2, Math.max(top - 2, foot - ((value - low) / (high - low)) * height));
      panels.push({ kind, own, y, top, foot, low, high, unit });
      y0 = foot + 30;
    }
    const lanesTop = panels.length ? y0 - 22 : y0;
    const row = narrow ? 34 : 22;
    const shownLoads = loads.filter((c) => c.shown);
    const bottom = shownLoads.length ? lanesTop + shownLoads.length * row : (panels.at(-1)?.foot ?? y0);
    const height = bottom + 42;

    const [per, unit] = view.to - view.from > 10800 ? [3600, 'h'] : view.to - view.from > 900 ? [60, 'min'] : [1, 's'];
    const along = ticks(view.from / per, view.to / per, narrow ? 4 : 9);
    for (const [value, text] of along) {
      const px = x(value * per);
      for (const p of panels) mark(svg, 'path', { d: `M${px} ${p.top}V${p.foot}`, stroke: ink.grid });
      mark(svg, 'path', { d: `M${px} ${bottom}v5`, stroke: ink.frame });
      word(svg, px, bottom + 14, text, { 'text-anchor': 'middle', fill: ink.faint });
    }
    mark(svg, 'path', { d: `M${left} ${bottom}H${right}`, stroke: ink.frame });
    word(svg, (left + right) / 2, bottom + 32, `time from the first sample, ${unit}`, { 'text-anchor': 'middle', fill: ink.faint });

    for (const panel of panels) {
      const { kind, own, y, top, foot, low, high } = panel;
      const labels = [];
      const over = []; // words that stand over the lines
      if (kind === 'volts') ground(svg, panel, x, clamp, left, right, labels, over, narrow);
      for (const [value, text] of ticks(low, high, kind === 'volts' ? 7 : 4)) {
        mark(svg, 'path', { d: `M${left} ${y(value)}H${right}`, stroke: ink.grid });
        word(svg, left - 6, y(value), text, { 'text-anchor': 'end', fill: ink.faint });
      }
      mark(svg, 'path', { d: `M${left} ${top}V${foot}`, stroke: ink.frame });
      const title = own.length > 1 ? TITLES[kind] : own[0] === lines[0] ? 'bus voltage' : own[0].what;
      word(svg, 0, top - 14, `${title}, ${panel.unit}`, { fill: ink.faint });
      const clip = `clip-${kind}`;
      mark(mark(svg, 'clipPath', { id: clip }), 'rect', { x: left, y: top - 2, width: right - left, height: foot - top + 4 });
      own.forEach((channel) => {
        mark(svg, 'path', { d: tracePath(channel, x, y), fill: 'none', stroke: channel.ink, 'stroke-width': kind === 'volts' ? 1.2 : 1.5,
          'stroke-dasharray': channel.dash, 'clip-path': `url(#${clip})`, 'stroke-linejoin': 'round' });
        const [first, end] = [cellBefore(view.from), cellBefore(view.to)];
        if (!thinned && end - first < 90) {
          for (let k = first + 1; k <= end; k += 1) {
            if (!Number.isNaN(channel.low[k])) mark(svg, 'circle', { cx: x(time[k]), cy: y(channel.low[k]), r: 1.8, fill: channel.ink });
          }
        }
        if (own.length > 1) {
          const value = (channel.low[end] + channel.high[end]) / 2;
          if (!Number.isNaN(value)) labels.push({ y: y(value), text: channel.name, ink: channel.ink });
        }
      });
      for (const say of over) say();
      beyond(svg, panel, x, right);
      if (!narrow) {
        for (const label of spread(labels, 16, top + 4, foot - 4)) {
          mark(svg, 'path', { d: `M${right} ${label.y}L${right + 10} ${label.at}`, stroke: label.ink, fill: 'none' });
          word(svg, right + 14, label.at, short(label.text, 23), { fill: label.ink });
        }
      }
    }

    shownLoads.forEach((channel, k) => {
      const top = lanesTop + k * row + (narrow ? 16 : 4);
      const floor = top + row - (narrow ? 16 : 4) - 2;
      mark(svg, 'path', { d: `M${left} ${floor}H${right}`, stroke: channel.ink });
      mark(svg, 'path', { d: lanePath(channel, x, top, floor - top), fill: channel.ink });
      if (narrow) word(svg, left + 2, top - 8, short(channel.name, 30));
      else word(svg, right + 14, (top + floor) / 2, short(channel.name, 23));
    });

    // Steps over everything they mark; numbers where there is room for them.
    let free = [-Infinity, -Infinity];
    for (const [n, t, until, what] of data.steps) {
      if (t < view.from || t > view.to) continue;
      const px = x(t);
      const half = String(n).length * 4 + 5;
      const line = free.findIndex((end) => end <= px - half);
      mark(svg, 'path', { d: `M${px} ${line < 0 ? 58 : 28 + line * 16 + 8}V${bottom}`, stroke: ink.step, 'stroke-dasharray': '1 3' });
      if (line < 0) continue;
      free[line] = px + half;
      places.push({ px, line, go: [t, until] });
      const label = word(numbers, px, 28 + line * 16, n, { 'text-anchor': 'middle', 'font-weight': 'bold', class: 'step' });
      mark(label, 'title', {}, `Step ${n}: ${what}`);
    }
    if (data.steps.length) word(svg, left - 6, 28, 'step', { 'text-anchor': 'end', fill: ink.faint });
    svg.append(numbers);

    const cross = mark(svg, 'g', {});
    svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
    svg.setAttribute('width', width);
    svg.setAttribute('height', height);
    frame = { x, left, right, panels, cross, bottom, places };
    picture.replaceChildren(svg);
    picture.dataset.from = view.from;
    picture.dataset.to = view.to;
    wholeButton.disabled = isWhole();
    read();
  };

  // Where a line leaves the scale, how far it goes, and when.
  const beyond = (svg, { own, top, foot, low, high }, x, right) => {
    for (const channel of own) {
      let [lowest, highest] = [-1, -1];
      for (let k = cellBefore(view.from); k <= last && time[k] <= view.to; k += 1) {
        if (channel.low[k] < low && !(channel.low[lowest] <= channel.low[k])) lowest = k;
        if (channel.high[k] > high && !(channel.high[highest] >= channel.high[k])) highest = k;
      }
      const ends = [[lowest, foot, -1, 'down', channel.low, channel.lowAt], [highest, top, 1, 'up', channel.high, channel.highAt]];
      for (const [k, edge, way, side, values, times] of ends) {
        if (k < 0) continue;
        const px = x(times[k]);
        mark(svg, 'path', { d: `M${px} ${edge}l-5 ${way * 8}h10z`, fill: channel.ink });
        const text = `${side} to ${worth(channel, values[k])} at ${seconds(times[k])}`;
        const turned = px + 10 + text.length * 7 > right;
        word(svg, turned ? px - 8 : px + 8, edge + way * 11, text, { fill: channel.ink, 'text-anchor': turned ? 'end' : 'start', ...halo });
      }
    }
  };

  const short = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}…` : text);

  // Setpoint, rest and the ground where the battery discharges, each in words where it lies.
  const ground = (svg, panel, x, clamp, left, right, labels, over, narrow) => {
    const { y, top, foot, low, high } = panel;
    const drain = data.levels.find((level) => level.kind === 'draining');
    if (drain) {
      const hatch = mark(svg, 'pattern', { id: 'hatch', width: 8, height: 8, patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(45)' });
      mark(hatch, 'rect', { width: 8, height: 8, fill: ink.draining, opacity: 0.45 });
      mark(hatch, 'path', { d: 'M0 0V8', stroke: ink.hatch, 'stroke-width': 1.4 });
      let named = [0, 0]; // the longest stretch of it, where it is named
      for (const [kind, from, to] of data.phases) {
        const [a, b] = [clamp(x(from)), clamp(x(to))];
        if (kind !== 'running' || b <= a) continue;
        if (y(drain.low) < foot) mark(svg, 'rect', { x: a, y: y(drain.low), width: b - a, height: foot - y(drain.low), fill: 'url(#hatch)' });
        if (y(drain.low) + 22 < foot && b - a > Math.max(180, named[1] - named[0])) named = [a, b];
        if (y(drain.high) < foot) mark(svg, 'rect', { x: a, y: y(drain.high), width: b - a, height: y(drain.low) - y(drain.high), fill: ink.draining, opacity: 0.3 });
      }
      if (named[1] > 0 && !narrow) over.push(() => word(svg, named[1] - 8, foot - 11, 'draining: the battery discharges', { fill: ink.draining_text, 'text-anchor': 'end', ...halo }));
    }
    // The interval of each operating point's voltage, along its stretches.
    for (const [from, to, least, most] of data.held) {
      const [a, b] = [clamp(x(from)), clamp(x(to))];
      if (b <= a || most < low || least > high) continue;
      const [upper, lower] = [y(most), y(least)];
      mark(svg, 'rect', { x: a, y: upper, width: b - a, height: Math.max(lower - upper, 1), fill: lines[0].ink, opacity: 0.18 });
      mark(svg, 'path', { d: `M${a} ${upper}H${b}M${a} ${lower}H${b}`, stroke: lines[0].ink, opacity: 0.7, class: 'held' });
    }
    let lowest = -Infinity;
    for (const level of [...data.levels].sort((a, b) => b.value - a.value)) {
      const text = `${level.name} ${number(level.value, 2)} V`;
      if (level.value < low || level.value > high) continue;
      const [a, b] = [y(Math.min(level.high, high)), y(Math.max(level.low, low))];
      if (level.kind === 'setpoint') mark(svg, 'rect', { x: left, y: a, width: right - left, height: Math.max(b - a, 1), fill: level.ink, opacity: 0.2 });
      mark(svg, 'path', { d: `M${left} ${y(level.value)}H${right}`, stroke: level.ink, 'stroke-width': 1.5, 'stroke-dasharray': { setpoint: '9 5', rest: '3 6', draining: '2 3' }[level.kind] });
      if (narrow) {
        // Above its line, or below where another stands there.
        const line = y(level.value) - 9 > lowest + 15 ? y(level.value) - 9 : Math.max(y(level.value) + 10, lowest + 15);
        lowest = line;
        over.push(() => word(svg, right - 2, line, text, { fill: level.ink, 'text-anchor': 'end', ...halo }));
      } else labels.push({ y: y(level.value), text, ink: level.ink });
    }
  };

  // ------------------------------------------------------------------ the moment

  const read = () => {
    const { x, left, right, panels, cross, bottom } = frame;
    const { when, where } = momentWords(at);
    moment.replaceChildren(make('strong', {}, `At ${when}`), where ? `, ${where}` : '');
    for (const channel of channels) channel.told.textContent = reading(channel, at);
    picture.setAttribute('aria-valuenow', String(time[at]));
    picture.setAttribute('aria-valuetext', [when, ...channels.filter((c) => c.shown).map((c) => `${c.name} ${reading(c, at)}`)].join(', '));
    cross.replaceChildren();
    const px = x(time[at]);
    if (px < left - 0.5 || px > right + 0.5) return;
    mark(cross, 'path', { d: `M${px} 20V${bottom}`, stroke: ink.text, 'stroke-width': 1 });
    for (const { own, y } of panels) {
      for (const channel of own) {
        for (const value of new Set([channel.low[at], channel.high[at]])) {
          if (!Number.isNaN(value)) mark(cross, 'circle', { cx: px, cy: y(value), r: 3.5, fill: channel.ink, stroke: ink.plate, 'stroke-width': 1.5 });
        }
      }
    }
  };
  const choose = (k) => { at = Math.min(last, Math.max(0, k)); read(); };

  // ------------------------------------------------------------------ moving

  const closest = () => Math.max((whole.to / Math.max(last, 1)) * 8, 1e-3);
  const show = ({ from, to }) => {
    const length = Math.min(whole.to - whole.from, Math.max(closest(), to - from));
    const start = Math.min(Math.max(whole.from, (from + to - length) / 2), whole.to - length);
    view = { from: start, to: start + length };
    draw();
  };
  const zoom = (factor, around) => {
    const pivot = around >= view.from && around <= view.to ? around : (view.from + view.to) / 2;
    const length = Math.min(whole.to, Math.max(closest(), (view.to - view.from) * factor));
    const share = (pivot - view.from) / (view.to - view.from);
    show({ from: pivot - share * length, to: pivot + (1 - share) * length });
  };
  const pan = (share) => {
    const by = share * (view.to - view.from);
    show({ from: view.from + by, to: view.to + by });
  };
  const follow = () => {
    const t = time[at];
    const length = view.to - view.from;
    if (t < view.from || t > view.to) show({ from: t - length / 2, to: t + length / 2 });
  };
  // To a stretch of the log, with a little around it.
  const goTo = (from, to) => {
    const pad = Math.max((to - from) * 0.25, 4 * data.sample_interval_s, 2);
    at = cellAt(from);
    show({ from: from - pad, to: to + pad });
  };

  const timeAt = (event) => {
    const px = event.clientX - picture.getBoundingClientRect().left;
    const share = (px - frame.left) / (frame.right - frame.left);
    return view.from + Math.min(1, Math.max(0, share)) * (view.to - view.from);
  };

  const down = new Map(); // pointers on the picture
  let drag = null;
  picture.addEventListener('pointerdown', (event) => {
    if (event.button !== 0) return;
    picture.setPointerCapture(event.pointerId);
    down.set(event.pointerId, event.clientX);
    const box = picture.getBoundingClientRect();
    const [px, py] = [event.clientX - box.left, event.clientY - box.top];
    const step = py < 58 && frame.places.find((p) => Math.abs(p.px - px) < 12 && Math.abs(28 + p.line * 16 - py) < 12);
    drag = { x: event.clientX, from: timeAt(event), view: { ...view }, moved: false, step,
      marks: event.pointerType === 'mouse' && (isWhole() || event.shiftKey) };
  });
  picture.addEventListener('pointermove', (event) => {
    if (down.size === 2 && down.has(event.pointerId)) {
      const before = [...down.values()];
      down.set(event.pointerId, event.clientX);
      const after = [...down.values()];
      const apart = ([a, b]) => Math.max(20, Math.abs(a - b));
      const middle = (after[0] + after[1]) / 2;
      pan(-((middle - (before[0] + before[1]) / 2) / (frame.right - frame.left)));
      zoom(apart(before) / apart(after), timeAt({ clientX: middle }));
      drag = null;
      return;
    }
    if (drag && down.has(event.pointerId)) {
      drag.moved ||= Math.abs(event.clientX - drag.x) > 4;
      if (drag.moved && !drag.marks && !(isWhole() && event.pointerType !== 'mouse')) {
        const by = ((event.clientX - drag.x) / (frame.right - frame.left)) * (view.to - view.from);
        show({ from: drag.view.from - by, to: drag.view.to - by });
      }
    }
    choose(cellAt(timeAt(event)));
    if (drag?.moved && drag.marks) {
      const [a, b] = [drag.from, timeAt(event)].map(frame.x).sort((p, q) => p - q);
      mark(frame.cross, 'rect', { x: a, y: 20, width: b - a, height: frame.bottom - 20, fill: ink.text, opacity: 0.12 });
    }
  });
  const release = (event) => {
    if (!down.delete(event.pointerId) || !drag) return;
    const { moved, marks, from, step } = drag;
    drag = null;
    if (event.type === 'pointercancel') return;
    if (!moved && step) goTo(...step.go);
    else if (!moved) choose(cellAt(timeAt(event)));
    else if (marks) show({ from: Math.min(from, timeAt(event)), to: Math.max(from, timeAt(event)) });
  };
  picture.addEventListener('pointerup', release);
  picture.addEventListener('pointercancel', release);
  picture.addEventListener('dblclick', () => show(whole));
  // The wheel scrolls the page until the reader has chosen the picture.
  picture.addEventListener('wheel', (event) => {
    if (document.activeElement !== picture && !event.ctrlKey) return;
    const turn = event.deltaMode === 1 ? 30 : 1;
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      event.preventDefault();
      pan(((event.deltaX || event.deltaY) * turn) / (frame.right - frame.left));
    } else if (event.deltaY < 0 || !isWhole()) {
      event.preventDefault();
      zoom(2 ** ((event.deltaY * turn) / 240), timeAt(event));
    }
  }, { passive: false });

  const alongBy = (columns) => {
    const by = Math.max(1, Math.round(((view.to - view.from) / (frame.right - frame.left) / (whole.to / Math.max(last, 1))) * Math.abs(columns)));
    choose(at + Math.sign(columns) * by);
    follow();
  };
  const toStep = (way) => {
    const times = data.steps.map(([, t]) => cellAt(t));
    const next = way > 0 ? times.find((k) => k > at) : times.filter((k) => k < at).pop();
    if (next !== undefined) { choose(next); follow(); }
  };
  const KEYS = {
    ArrowLeft: (event) => alongBy(event.shiftKey ? -40 : -1),
    ArrowRight: (event) => alongBy(event.shiftKey ? 40 : 1),
    ArrowUp: () => toStep(1),
    ArrowDown: () => toStep(-1),
    Home: () => { choose(0); follow(); },
    End: () => { choose(last); follow(); },
    PageUp: () => pan(-0.5),
    PageDown: () => pan(0.5),
    '+': () => zoom(0.5, time[at]),
    '=': () => zoom(0.5, time[at]),
    '-': () => zoom(2, time[at]),
    0: () => show(whole),
    Escape: () => show(whole),
  };
  picture.addEventListener('keydown', (event) => {
    const act = KEYS[event.key];
    if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    act(event);
  });

  // Where the page speaks of a stretch of the log, a press shows it.
  for (const told of document.querySelectorAll('[data-go]')) {
    const [from, to] = told.dataset.go.split(' ').map(Number);
    const go = make('button', { type: 'button', class: 'go' }, ...told.childNodes);
    go.title = 'Show it in the picture';
    go.addEventListener('click', () => {
      goTo(from, to);
      origin = go;
      const name = short(go.textContent.trim(), 24);
      returnButton.textContent = `Back to “${name}”`;
      returnButton.setAttribute('aria-label', `Back to “${name}”`);
      returnButton.title = 'Back to where you came from';
      returnButton.hidden = false;
      picture.focus({ preventScroll: true });
      tools.scrollIntoView({ block: 'start' });
    });
    told.append(go);
  }

  root.hidden = false;
  document.body.classList.add('live');
  // The moment that the page speaks of first.
  at = cellAt(data.first_s);
  new ResizeObserver(() => draw()).observe(picture);
  draw();
})();
