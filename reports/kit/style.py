"""The look: a certificate on laboratory paper. Colours by name for both schemes, and the style sheet made of them.

Colour never says anything alone: every state has a word and a shape, every line of a chart its own dash and label.
Pairs of text and ground keep a contrast of at least 4.5, marks of charts at least 3 (WCAG 2.2, 1.4.3 and 1.4.11); a
test computes them.
"""

from __future__ import annotations

import re

__all__ = ["DARK", "LIGHT", "STYLE", "WIDE", "running_foot"]

LIGHT = {
    "desk": "#eceae1",
    "paper": "#fefdf9",
    "ink": "#1b2430",
    "soft": "#4c5764",
    "rule": "#cfc9ba",
    "margin": "#dcaea4",
    "link": "#0b4a86",
    "accept": "#0f5f47",
    "hold": "#7d4a00",
    "reject": "#9c1c18",
    "none": "#4c5764",
    "accept-wash": "#e7f1ec",
    "hold-wash": "#faefdb",
    "reject-wash": "#fbe9e6",
    "none-wash": "#efede6",
    "point": "#1a4d8a",
    "spot": "#5c7893",
    "limit": "#1b2430",
    "inner": "#66707c",
    "tolerance": "#8f5600",
    "flag": "#ad241d",
    "bar": "#a9bdd2",
    "grid": "#e8e4d9",
}
DARK = {
    "desk": "#0b0f14",
    "paper": "#141b23",
    "ink": "#ece7da",
    "soft": "#b4bcc5",
    "rule": "#3b4652",
    "margin": "#6e4a43",
    "link": "#93c5f7",
    "accept": "#78d3ad",
    "hold": "#f2b962",
    "reject": "#ff968c",
    "none": "#b4bcc5",
    "accept-wash": "#15302a",
    "hold-wash": "#33270f",
    "reject-wash": "#3a1c1b",
    "none-wash": "#1f2731",
    "point": "#93c5f7",
    "spot": "#8ea6be",
    "limit": "#ece7da",
    "inner": "#9aa4af",
    "tolerance": "#f2b962",
    "flag": "#ff968c",
    "bar": "#3d5672",
    "grid": "#27313c",
}


def _variables(palette: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in palette.items())


_SHEET = """
*,*::before,*::after{box-sizing:border-box}
html{font-size:100%;-webkit-text-size-adjust:100%;scroll-padding-top:1rem}
body{--ground:var(--paper);margin:0;background:var(--desk);color:var(--ink);font:1rem/1.5 "Segoe UI","Helvetica Neue",Arial,"Liberation Sans",
sans-serif;font-variant-numeric:lining-nums tabular-nums;overflow-wrap:anywhere}
h1,h2,h3,.word,.kind,caption b,figcaption b{font-family:"Iowan Old Style","Palatino Linotype",Palatino,"URW Palladio L",
Georgia,"DejaVu Serif",serif}
a{color:var(--link);text-underline-offset:.15em}
a:focus-visible,[tabindex]:focus-visible{outline:3px solid var(--link);outline-offset:2px}
.skip{position:absolute;left:-99rem;top:0;background:var(--paper);padding:.6rem 1rem;z-index:2}
.skip:focus{left:0}
.shapes{position:absolute}
.sheet{max-width:72rem;margin:0 auto;background:var(--paper);padding:1.5rem clamp(1rem,3vw,3rem) 2.5rem;
border-left:1px solid var(--rule);border-right:1px solid var(--rule)}
.masthead{display:flex;flex-wrap:wrap;justify-content:space-between;gap:.25rem 2rem;color:var(--soft);font-size:.9rem;
border-bottom:3px double var(--rule);padding-bottom:.6rem}
.masthead p{margin:0}
.kind{letter-spacing:.14em;text-transform:uppercase;color:var(--ink)}
.crumbs ol,.contents ul{display:flex;flex-wrap:wrap;gap:.1rem .9rem;margin:0;padding:0;list-style:none;font-size:.9rem}
.crumbs{margin:.7rem 0 -.6rem;color:var(--soft)}
.crumbs li,.contents li{margin:0;padding:.15rem 0}
.crumbs li+li::before{content:"/";color:var(--rule);margin-right:.9rem}
.contents{margin-top:.9rem;color:var(--soft)}
h1{font-size:clamp(1.9rem,5vw,2.9rem);line-height:1.1;font-weight:600;margin:1.4rem 0 .3rem}
.what{margin:0 0 1.4rem;color:var(--soft)}
h2{font-size:1.15rem;font-weight:600;line-height:1.25;margin:0}
h3{font-size:1.05rem;font-weight:600;margin:1.6rem 0 .4rem}
p{margin:.5rem 0}
sub{font-size:.75em;line-height:0}
ul,ol{margin:.4rem 0;padding-left:1.4rem}
li{margin:.25rem 0}
bdi,td,dd,li{unicode-bidi:isolate}
bdi{white-space:nowrap}.long,h1 bdi,.crumbs bdi{white-space:normal}
/* the verdict: word, shape, ground and border each tell it alone */
.verdict{display:grid;grid-template-columns:minmax(13rem,17rem) minmax(0,1fr);border:2px solid var(--tone);
background:var(--wash)}
.stamp{display:flex;flex-direction:column;align-items:center;gap:.4rem;padding:1.6rem 1rem;
color:var(--tone);text-align:center;border-right:2px solid var(--tone)}
.stamp svg{width:4.6rem;height:4.6rem}
.word{font-size:2.2rem;line-height:1.05;font-weight:600;margin:0}
.why{padding:1rem 1.4rem}
.why h2{font-size:1rem;color:var(--tone);margin-top:.2rem}
.why h2:not(:first-child){margin-top:1rem;border-top:1px solid var(--tone);padding-top:.8rem}
.why p:first-of-type{font-size:1.08rem}
.why ol{font-size:1.08rem}
.why li::marker{color:var(--tone)}
.t-accept{--tone:var(--accept);--wash:var(--accept-wash)}
.t-hold{--tone:var(--hold);--wash:var(--hold-wash)}
.t-reject{--tone:var(--reject);--wash:var(--reject-wash)}
.t-none{--tone:var(--none);--wash:var(--none-wash)}
.verdict.t-hold{border-width:4px}.verdict.t-hold .stamp{border-right-width:4px}
.verdict.t-reject .stamp{background:var(--reject);color:var(--paper);--ground:var(--reject)}
.verdict.t-none{border-style:dashed}.verdict.t-none .stamp{border-right-style:dashed}
/* a section: its title in the margin, as in a notebook */
.part{display:grid;grid-template:auto 1fr/9.5rem minmax(0,1fr);column-gap:1.5rem;margin-top:2.2rem}
.part>h2{border-top:1px solid var(--ink);padding-top:.5rem}
.part>div{grid-area:1/2/span 2;border-top:1px solid var(--rule);border-left:1px solid var(--margin);padding:.5rem 0 0 1.5rem}
.part>div>:first-child{margin-top:0}
.part>div>:last-child{margin-bottom:0}
.points li{margin:.4rem 0}
.ledger{display:grid;grid-template-columns:repeat(auto-fill,minmax(12.5rem,1fr));gap:0;margin:0;
border-top:1px solid var(--rule);border-left:1px solid var(--rule)}
.ledger>div{border-right:1px solid var(--rule);border-bottom:1px solid var(--rule);padding:.5rem .8rem}
.ledger dt{color:var(--soft);font-size:.88rem;line-height:1.3}
.ledger dd{margin:.1rem 0 0;font-size:1.3rem;line-height:1.3}
.ledger dd+dd,.ledger .reason{font-size:.9rem;color:var(--soft);line-height:1.35}
.ledger .reason{font-style:italic}
.facts{display:grid;grid-template-columns:minmax(8rem,13rem) minmax(0,1fr);gap:.3rem 1rem;margin:.4rem 0}
.facts dt{color:var(--soft)}
.facts dd{margin:0}
.part>.how{grid-area:2/1;color:var(--soft);font-size:.82rem;line-height:1.35}
dt>a,th>a{color:inherit;text-decoration-style:dotted}
figure{margin:1.2rem 0 1.4rem}
.chart{max-width:56rem;container-type:inline-size;background:var(--paper)}
.axis{margin:0;color:var(--soft);font-size:.8rem}
/* the plot is as wide as there is room, its words keep their size; what has no room there has a class of the widths where it has */
.chart>svg{--l:66px;--r:128px;--t:12px;--b:26px;display:block;overflow:visible;width:calc(100% - var(--l) - var(--r));
margin:var(--t) var(--r) var(--b) var(--l);fill:none;stroke-miterlimit:10;font-size:12px;touch-action:pan-x pan-y;forced-color-adjust:none}
.chart svg svg{overflow:visible}.chart svg .cut{overflow:hidden}
.chart>.nl{--l:6px}.chart>.nr{--r:16px}.chart>.t1{--t:17px}.chart>.t2{--t:32px}.chart>.t3{--t:47px}.chart>.t4{--t:62px}.chart>.t5{--t:77px}.chart>.t6{--t:92px}.chart>.b1{--b:41px}.chart>.b2{--b:56px}.chart>.b3{--b:71px}.chart>.b4{--b:86px}
.lines *{vector-effect:non-scaling-stroke}
.halo{stroke:var(--paper);stroke-width:4;paint-order:stroke;font-weight:700}
.chart .m,.chart .s,.chart .ms{display:none}
@container(max-width:799px){.chart .l,.chart .ls{display:none}.chart .m,.chart .ms{display:inline}}
@container(max-width:543px){.chart>svg{--l:52px;--r:122px;font-size:11px}.chart .m,.chart .lm{display:none}.chart .s,.chart .ls{display:inline}}
.filter{display:flex;flex-wrap:wrap;gap:.5rem 1rem;align-items:end;margin-top:1.2rem;padding:.8rem 1rem;border:1px solid var(--rule);background:var(--none-wash)}
.filter label{display:flex;flex-direction:column;font-size:.88rem;color:var(--soft)}
.filter select{max-width:14rem}
.filter p{margin:0;padding:.25rem 0}
[hidden]{display:none!important}
.under{display:flex;flex-direction:column-reverse;position:relative;max-width:56rem}
.tools{display:flex;flex-wrap:wrap;gap:.4rem}
/* what acts on a chart shows when somebody is at it; a finger is never just near */
@media (hover:hover){.tools{opacity:0;position:absolute;right:0;top:0;background:var(--paper)}
figure:hover .tools,figure:focus-within .tools{opacity:1}}
button,input,select{font:inherit;color:var(--ink);background:var(--paper);border:1px solid var(--inner);border-radius:0;padding:.25rem .6rem;min-height:1.75rem}
.tools button{font-size:.85rem}
button:hover{background:var(--none-wash)}
button:focus-visible,input:focus-visible,select:focus-visible{outline:3px solid var(--link);outline-offset:2px}
.readout{color:var(--soft);font-size:.93rem;min-height:1.5em;margin:.15rem 0 0}
.dim{opacity:.18}
.ring{fill:none;stroke:var(--link);stroke-width:2.5}
.brush{fill:var(--link);fill-opacity:.1;stroke:var(--link);stroke-dasharray:4 3}
figcaption{color:var(--soft);font-size:.93rem;margin-top:.4rem;max-width:56rem}
figcaption b{color:var(--ink);font-weight:600}
details{border-top:1px solid var(--rule);padding:.35rem 0}
details:last-of-type{border-bottom:1px solid var(--rule)}
summary{cursor:pointer;padding:.25rem 0;color:var(--link);font-weight:600}
summary:focus-visible{outline:3px solid var(--link);outline-offset:2px}
summary small{font-weight:400;color:var(--soft);font-size:.9rem}
details[open]>summary{margin-bottom:.5rem}
details>.part{display:block;margin-top:0}
details>.part>h2{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}
details>.part>div{border-top:0}
.strip small{font:.9rem/1.4 "Segoe UI","Helvetica Neue",Arial,"Liberation Sans",sans-serif;color:var(--soft);margin-left:.5em}
.strip+figure{margin-top:.3rem}
/* what is wider than its place scrolls in itself, and a shadow stands where it goes on */
.scroll{overflow-x:auto;container-type:inline-size;margin:.9rem 0 1.6rem;background:linear-gradient(90deg,var(--paper) 30%,transparent) left/3rem 100% no-repeat local,
linear-gradient(270deg,var(--paper) 30%,transparent) right/3rem 100% no-repeat local,
linear-gradient(90deg,var(--inner),transparent) left/.7rem 100% no-repeat scroll,
linear-gradient(270deg,var(--inner),transparent) right/.7rem 100% no-repeat scroll}
table{border-collapse:collapse;font-size:.9rem;line-height:1.35;min-width:min(100%,30rem)}
.broad{min-width:46rem}
caption{text-align:left;color:var(--soft);padding:0 .9rem .35rem 0;max-width:min(56rem,100cqi);position:sticky;left:0}
caption b{color:var(--ink);font-size:1rem;font-weight:600}
th,td{overflow-wrap:break-word;padding:.28rem .9rem .28rem 0;text-align:left;vertical-align:top;border-bottom:1px solid var(--rule)}
thead th{border-bottom:2px solid var(--ink);vertical-align:bottom;font-weight:600;overflow-wrap:normal}
thead small{display:block;font-weight:400;color:var(--soft);font-size:inherit}
tbody th{font-weight:600}
.n{text-align:right;white-space:nowrap}
thead .n{white-space:normal;max-width:7.5rem}
tbody th.t{font-weight:400}
.t{white-space:nowrap}
.h{overflow-wrap:anywhere;word-break:break-all;min-width:12rem;font-family:ui-monospace,"DejaVu Sans Mono",monospace;
font-size:.82rem}
tr.mark td,tr.mark th{background:var(--hold-wash)}
tr:target td,tr:target th,tr:has(:target) td,tr:has(:target) th{background:var(--none-wash);box-shadow:inset 0 2px var(--link),inset 0 -2px var(--link)}
.tone{color:var(--tone);font-weight:600;white-space:nowrap}
.tone svg{width:1.05em;height:1.05em;vertical-align:-.16em;margin-right:.35em}
.share{width:6rem;height:.8em;vertical-align:-.1em}
.sort{border:0;padding:0;text-align:inherit;font-weight:inherit;text-decoration:underline dotted;cursor:pointer}
[aria-sort=ascending] .sort::after{content:" \\25b2"}[aria-sort=descending] .sort::after{content:" \\25bc"}
.caution{border:1px solid var(--rule);border-left:.4rem solid var(--ink);padding:.4rem 1.2rem;background:var(--none-wash)}
footer{border-top:3px double var(--rule);margin-top:2.4rem;padding-top:.8rem;font-size:.9rem;color:var(--soft)}
footer h2{color:var(--ink);margin-top:1rem}
@media (max-width:52rem){
.part{display:block}.part>h2{padding-bottom:.5rem}
.part>div{border-top:0;border-left:0;padding:0}
}
@media (max-width:40rem){
.verdict{grid-template-columns:1fr}
.stamp{flex-direction:row;justify-content:flex-start;text-align:left;gap:1rem;padding:.8rem 1rem;border-right:0;
border-bottom:2px solid var(--tone)}
.verdict.t-hold .stamp{border-right-width:0;border-bottom-width:4px}
.verdict.t-none .stamp{border-bottom-style:dashed}
.stamp svg{width:3rem;height:3rem}
.why{padding:.7rem 1rem}
.facts{grid-template-columns:1fr;gap:0}
.facts dd{margin-bottom:.5rem}
.ledger{grid-template-columns:repeat(2,minmax(0,1fr))}
.sheet{border:0}
}
@media (prefers-reduced-motion:no-preference){html{scroll-behavior:smooth}}
@page across{size:landscape}
@media print{
:root{color-scheme:light;LIGHT}
html{font-size:9.5pt}body{line-height:1.35}
body{background:none}
.skip,.crumbs,.contents,.under,.how,.filter{display:none}
.sheet{max-width:none;padding:0;border:0;background:none}
.part{grid-template-columns:7rem minmax(0,1fr);column-gap:1rem;margin-top:1.4rem}
.part.wide{display:block}.part.wide>div{border-left:0;padding-left:0}.part.wide>h2{padding-bottom:.4rem}
.part>div{padding-left:1rem}
.scroll{overflow:visible;background:none}
.chart{background:none}.chart>svg{zoom:.72;font-size:11.6pt;--r:150px}.axis{font-size:8.2pt}
figure{margin:.2rem 0 .4rem}.scroll{margin:.25rem 0 .45rem;background:none}figcaption,caption{font-size:8.5pt;line-height:1.35}
.part{margin-top:.55rem}h1{margin:.6rem 0 .2rem;font-size:1.7rem}.what{margin-bottom:.7rem}.stamp{padding:.8rem .6rem}.stamp svg{width:3rem;height:3rem}
.verdict{grid-template-columns:8.5rem minmax(0,1fr)}.word{font-size:1.5rem}.why{padding:.5rem .9rem}
.ledger{grid-template-columns:repeat(4,minmax(0,1fr))}.ledger dd{font-size:1.05rem}.ledger>div{padding:.25rem .5rem}
p,li,.points li{margin:.15rem 0}.facts{gap:.1rem 1rem}footer .facts{grid-template-columns:auto 1fr auto 1fr}footer{margin-top:.4rem;padding-top:.15rem}footer h2{margin-top:.2rem}footer .scroll{margin:.2rem 0}.caution p{margin:.05rem 0}.part>div{padding-top:.25rem}.caution{padding:.2rem .8rem}
details:not([open]),.part:has(>div>details):not(:has(details[open])):not(:has(>div>:not(details))){display:none}
figure,.verdict,.ledger,.caution,tr{break-inside:avoid}
h2,h3,caption{break-after:avoid}
thead{display:table-header-group}
table,.broad{font-size:.85rem;min-width:0}
th,td{overflow-wrap:break-word;padding-right:.6rem}
sub{font-size:max(.75em,8pt)}.h{min-width:0;font-size:.85rem}
.across{page:across}
a{color:inherit;text-decoration:none}
.verdict,.caution,tr.mark td,tr.mark th{-webkit-print-color-adjust:exact;print-color-adjust:exact}
}
"""

_FIXED = (
    f":root{{color-scheme:light dark;{_variables(LIGHT)}}}"
    f"@media (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}"
)

STYLE = _FIXED + re.sub(r"\n|/\*.*?\*/", "", _SHEET).replace("LIGHT", _variables(LIGHT))
"""The style sheet of every page."""


WIDE = ".sheet{max-width:84rem}.part.wide{display:block}.part.wide>h2{padding-bottom:.5rem}.part.wide>div{border-left:0;padding-left:0}"
"""For pages that are made of broad tables: these take the margin as well."""


def running_foot(words: str, page: str, of: str) -> str:
    """Return the rules that print `words` and the page number at the foot of every page.

    Parameters
    ----------
    words
        What the page is about. It may hold anything; characters other than letters, digits and blanks are written
        as escapes of the style sheet, so none of them can end the string.
    page, of
        The words before the page's number and before the number of pages.

    Returns
    -------
    str
        Rules of a style sheet.
    """

    def quoted(text: str) -> str:
        return "".join(c if c.isascii() and (c.isalnum() or c == " ") else f"\\{ord(c):x} " for c in text)

    return (
        "@page{margin:11mm 14mm 14mm;"
        f'@bottom-left{{content:"{quoted(words)}";font:8pt sans-serif;color:#444}}'
        f'@bottom-right{{content:"{quoted(page)} " counter(page) " {quoted(of)} " counter(pages);'
        "font:8pt sans-serif;color:#444}}"
    )
