'use strict';
(() => {
  const byId = (id) => document.getElementById(id);
  const table = byId('logs');
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  const rows = [...body.rows].map((row, place) => ({
    row,
    place,
    ranks: row.dataset.r.split(',').map((rank) => (rank === '' ? null : Number(rank))),
    words: row.textContent.toLowerCase(),
    car: row.cells[1].firstElementChild.textContent,
    verdict: row.cells[3].textContent,
  }));
  // A narrow page lays rows and cells out as blocks; these keep it a table.
  const role = (element, name) => element.setAttribute('role', name);
  role(table, 'table');
  for (const group of [table.tHead, body]) role(group, 'rowgroup');
  for (const row of table.rows) {
    role(row, 'row');
    for (const cell of row.cells) {
      role(cell, cell.tagName === 'TD' ? 'cell' : cell.scope === 'col' ? 'columnheader' : 'rowheader');
    }
  }
  const find = byId('find');
  const verdict = byId('verdict');
  const car = byId('car');
  const shown = byId('shown');
  const other = { ascending: 'descending', descending: 'ascending' };
  let sorted = null; // {column, way}

  // A log with nothing in the column stands last, whichever way it is sorted.
  const compare = (column, turned) => (a, b) => {
    const [x, y] = [a.ranks[column], b.ranks[column]];
    if (x === y) return a.place - b.place;
    if (x === null) return 1;
    if (y === null) return -1;
    return turned ? y - x : x - y;
  };

  const sort = () => {
    const by = sorted ? compare(sorted.column, sorted.way !== heads[sorted.column].dataset.first)
      : (a, b) => a.place - b.place;
    body.append(...[...rows].sort(by).map((entry) => entry.row));
    heads.forEach((head, column) => {
      if (sorted && sorted.column === column) head.setAttribute('aria-sort', sorted.way);
      else head.removeAttribute('aria-sort');
    });
  };

  const filter = () => {
    const asked = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    const fits = (entry) => asked.every((word) => entry.words.includes(word))
      && (!verdict.value || entry.verdict === verdict.value)
      && (!car || !car.value || entry.car === car.value);
    for (const entry of rows) entry.row.hidden = !fits(entry);
  };

  const tell = () => {
    const left = rows.filter((entry) => !entry.row.hidden).length;
    const told = (n) => n.toLocaleString('en');
    const count = left === rows.length ? `${told(left)} ${left === 1 ? 'log' : 'logs'}`
      : `${told(left)} of ${told(rows.length)} logs`;
    const order = sorted ? `by ${heads[sorted.column].textContent.split(',')[0].toLowerCase()}, ${sorted.way}`
      : 'the worst first';
    shown.textContent = `${count}, ${order}`;
  };

  heads.forEach((head, column) => {
    const button = document.createElement('button');
    button.type = 'button';
    button.append(...head.childNodes);
    head.append(button);
    // First what calls for work, then the other way, then the worst first again.
    button.addEventListener('click', () => {
      const first = head.dataset.first;
      const now = sorted && sorted.column === column ? sorted.way : null;
      sorted = now === null ? { column, way: first }
        : now === first ? { column, way: other[first] } : null;
      sort();
      tell();
    });
  });
  const refilter = () => { filter(); tell(); };
  for (const control of [find, verdict, car]) control?.addEventListener('input', refilter);
  byId('worst').addEventListener('click', () => {
    sorted = null;
    find.value = verdict.value = '';
    if (car) car.value = '';
    sort();
    refilter();
  });
  document.querySelector('.controls').hidden = false;
  table.classList.add('live');
  // A browser that comes back to the page may have kept what was typed.
  refilter();
})();
