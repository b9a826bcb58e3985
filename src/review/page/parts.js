// Small things that every view uses.

export function make(name, about = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(about)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === 'class') element.className = value;
    else if (key === 'text') element.textContent = value;
    else if (key.startsWith('on')) element[key] = value;
    else if (key === 'data') Object.assign(element.dataset, value);
    else element.setAttribute(key, value === true ? '' : value);
  }
  element.append(...inside.filter((i) => i !== null && i !== undefined));
  return element;
}

export const button = (text, onclick, about = {}) => make('button', { type: 'button', text, onclick, ...about });

let clearing = 0;
export function tell(text) {
  const told = document.getElementById('told');
  told.textContent = text;
  clearTimeout(clearing);
  clearing = setTimeout(() => { told.textContent = ''; }, 6000);
}

export function counted(n, one, many = `${one}s`) { return `${n} ${n === 1 ? one : many}`; }

export function frameOptions(select, frames, current) {
  select.replaceChildren(...frames.map((f) => {
    const option = make('option', { value: f.frame, text: `${f.frame}${f.verdict ? `: ${f.verdict}` : ''}${f.note ? ', note' : ''}` });
    option.selected = f === current;
    return option;
  }));
}
