'use strict';
(() => {
  const byId = (id) => document.getElementById(id);
  const said = byId('said');
  const asked = byId('asked');
  const make = (name, text, ...children) => {
    const element = document.createElement(name);
    if (text) element.textContent = text;
    element.append(...children);
    return element;
  };

  const list = (placed) => {
    const link = make('a', placed.folder);
    link.href = placed.report;
    byId('none').hidden = true;
    for (const old of byId('reports').querySelectorAll('a')) {
      if (old.href === link.href) old.parentElement.remove();
    }
    byId('reports').prepend(make('li', '', link, make('span', placed.headline)));
  };

  // One log to the server on this machine; `answers` are what a person said of it.
  const hand = async (file, answers) => {
    const query = new URLSearchParams({ name: file.name });
    for (const [key, value] of answers) query.append(key, value);
    try {
      const reply = await fetch(`logs?${query}`, { method: 'POST', body: file });
      return { made: reply.ok, told: await reply.json() };
    } catch {
      const reason = 'no answer: either stiffbus serve was ended in its terminal, or the file changed since it was chosen';
      return { made: false, told: { reason, columns: [] } };
    }
  };

  // What could not be read, with the columns to be told of where that helps.
  const ask = (file, told) => {
    const box = make('section');
    box.append(make('h2', file.name), make('p', told.reason));
    box.lastChild.className = 'reason warn';
    if (told.columns.length) box.append(form(file, told.columns, box));
    asked.append(box);
    return box;
  };

  const form = (file, columns, box) => {
    const form = make('form');
    const table = make('table', '', make('caption', 'Say what is what; leave what is read rightly by itself.'));
    const head = make('tr');
    for (const name of ['Column', 'First cells', 'It is']) {
      const cell = make('th', name);
      cell.scope = 'col';
      head.append(cell);
    }
    table.append(make('thead', '', head));
    const body = make('tbody');
    const selects = columns.map((column, k) => {
      const select = byId('role').content.firstElementChild.cloneNode(true);
      const name = column.name || `column ${k + 1}`;
      select.setAttribute('aria-label', `What ${name} is`);
      const title = make('th', name);
      title.scope = 'row';
      const cells = make('td', column.cells.join(' · '));
      cells.className = 'cells';
      cells.dataset.head = 'First cells';
      const choice = make('td', '', select);
      choice.dataset.head = 'It is';
      body.append(make('tr', '', title, cells, choice));
      return select;
    });
    table.append(body);
    const rate = make('input');
    rate.type = 'number';
    rate.min = '0';
    rate.step = 'any';
    const label = make('label', 'Samples a second, where no column is the time: ', rate);
    label.className = 'rate';
    const again = make('button', 'Read it so');
    form.append(table, label, again);
    form.addEventListener('submit', async (event) => {
      event.preventDefault();
      const answers = [];
      selects.forEach((select, k) => {
        if (select.value) answers.push(['column', `${select.value}=#${k + 1}`]);
      });
      if (rate.value) answers.push(['rate', rate.value]);
      box.remove();
      await take([file], answers);
    });
    return form;
  };

  const take = async (files, answers = []) => {
    let done = 0;
    let last = null;
    let first = null;
    for (const file of files) {
      said.textContent = `Reading ${file.name}${files.length > 1 ? `, ${done + 1} of ${files.length}` : ''} …`;
      const { made, told } = await hand(file, answers);
      done += 1;
      if (made) {
        list(told);
        last = told;
      } else {
        const box = ask(file, told);
        first ||= box;
      }
    }
    said.textContent = first ? 'Not all could be read; see below.' : '';
    if (first) (first.querySelector('select') || said).focus();
    else if (last && files.length === 1) location.href = last.report;
  };

  const chosen = async (files) => {
    asked.replaceChildren();
    await take([...files]);
  };
  byId('log').addEventListener('change', async (event) => {
    await chosen(event.target.files);
    event.target.value = '';
  });
  // Anywhere on the page will do; a file that misses would replace the page.
  let over = 0;
  const show = () => document.body.classList.toggle('over', over > 0);
  addEventListener('dragenter', () => { over += 1; show(); });
  addEventListener('dragleave', () => { over -= 1; show(); });
  addEventListener('dragover', (event) => event.preventDefault());
  addEventListener('drop', (event) => {
    event.preventDefault();
    over = 0;
    show();
    if (event.dataTransfer.files.length) chosen(event.dataTransfer.files);
  });
})();
