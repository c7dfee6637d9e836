"""Bibliography: every source that the project cites, once, with how far it was checked.

Code, settings and the methods text name a source by its key: the first author and the year, and
a letter where two keys would be the same.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

READ: Literal["read"] = "read"
FROM_MEMORY: Literal["from memory"] = "from memory"
HOW_CHECKED = (
    "Of some sources only the first author is named. [from memory] marks what is cited from "
    "memory, not checked against the original."
)


@dataclass(frozen=True)
class Source:
    """A publication that the project cites.

    Attributes
    ----------
    key : str
        First author and year.
    citation : str
        Authors, journal or book, and doi, as far as the project knows them.
    status : str
        `read`: what is cited was checked against the original or a second publication.
        `from memory`: it was not.
    """

    key: str
    citation: str
    status: Literal["read", "from memory"]

    def in_full(self) -> str:
        """Return the citation for a list of sources, with its status where it was not read."""
        return self.citation if self.status == READ else f"{self.citation} [{self.status}]"


_READ = {
    "Allen 2014": "Allen and others 2014, Pediatr Crit Care Med 15:62-70",
    "Archie 1981": "Archie 1981, Ann Surg 193:296-303",
    "Aries 2012a": "Aries 2012a, Crit Care Med 40:2456-2463, doi 10.1097/CCM.0b013e3182514eb6",
    "Bogli 2025": "Bogli 2025, Crit Care 29:207, doi 10.1186/s13054-025-05458-9",
    "CAHR-TBI 2023": "CAHR-TBI collaborative 2023, J Neurotrauma, doi 10.1089/neu.2023.0374",
    "Carney 2017": "Carney 2017, Neurosurgery 80:6-15, doi 10.1227/NEU.0000000000001432",
    "COGiTATE 2021": "COGiTATE trial 2021, J Neurotrauma, doi 10.1089/neu.2021.0197",
    "Czosnyka 1997": "Czosnyka and others 1997, Neurosurgery 41:11-19, doi "
    "10.1097/00006123-199707000-00005",
    "Donnelly 2017": "Donnelly 2017, Crit Care Med 45:1464-1471, doi "
    "10.1097/CCM.0000000000002575",
    "Guiza 2015": "Guiza 2015, Intensive Care Med 41:1067-1076, doi 10.1007/s00134-015-3806-1",
    "Maas 2005": "Maas and others 2005, Neurosurgery 57:1173",
    "Santos 2011": "Santos 2011, Acta Neurochir",
    "Sheth 2013": "Sheth 2013, Neurocrit Care 18:26-32, doi 10.1007/s12028-012-9780-3",
    "Sorrentino 2012": "Sorrentino 2012, Neurocrit Care 16:258-266, doi "
    "10.1007/s12028-011-9630-8",
    "Steyerberg 2008": "Steyerberg and others 2008, PLoS Med 5:e165, doi "
    "10.1371/journal.pmed.0050165",
    "Sun 2006": "Sun, Reisner and Mark 2006, A signal abnormality index for arterial blood "
    "pressure waveforms, Computers in Cardiology 33:13-16",
    "Ursino 1997": "Ursino and Lodi 1997, J Appl Physiol 82:1256-1269, doi "
    "10.1152/jappl.1997.82.4.1256",
    "Wilson 2021": "Wilson and others 2021, J Neurotrauma 38:2435",
    "Zacchetti 2015": "Zacchetti 2015, Crit Care 19:420, doi 10.1186/s13054-015-1137-9",
}
_FROM_MEMORY = {
    "Aalen 1978": "Aalen and Johansen 1978, Scand J Stat 5:141",
    "Albert 1984": "Albert and Anderson 1984, Biometrika 71:1",
    "Andersen 2012": "Andersen, Geskus, de Witte and Putter 2012, Int J Epidemiol 41:861",
    "Anderson 1983": "Anderson 1983, J Clin Oncol 1:710",
    "Anscombe 1973": "Anscombe 1973, Am Stat 27:17-21",
    "Aries 2012b": "Aries 2012b, Neurocrit Care 17:67-76",
    "Austin 2011": "Austin 2011, Multivariate Behav Res 46:399-424",
    "Barnard 1999": "Barnard and Rubin 1999, Biometrika 86:948",
    "Beers 2012": "Beers and others 2012, J Neurotrauma 29:1126-1139",
    "Belsley 1980": "Belsley, Kuh and Welsch 1980, Regression Diagnostics",
    "Benchimol 2015": "Benchimol and others 2015 (RECORD), PLoS Med 12:e1001885",
    "Brennan 2018": "Brennan, Murray and Teasdale 2018, J Neurosurg 128:1612-1620",
    "Cain 1984": "Cain and Lange 1984, Biometrics 40:493",
    "Carpenter 2013": "Carpenter and Kenward 2013, Multiple Imputation and its Application",
    "Cleveland 1979": "Cleveland 1979, J Am Stat Assoc 74:829-836",
    "Clopper 1934": "Clopper and Pearson 1934, Biometrika 26:404",
    "Cox 1958": "Cox 1958, Biometrika 45:562",
    "Cox 1972": "Cox 1972, J R Stat Soc B 34:187",
    "Crowley 1977": "Crowley and Hu 1977, J Am Stat Assoc 72:27-36",
    "Czosnyka 1996": "Czosnyka 1996, Acta Neurochir 138:531-542",
    "Davison 1997": "Davison and Hinkley 1997, Bootstrap methods",
    "Efron 1977": "Efron 1977, J Am Stat Assoc 72:557",
    "Efron 1979": "Efron 1979, Ann Stat 7:1-26",
    "Efron 1993": "Efron and Tibshirani 1993, An introduction to the bootstrap",
    "Ezekiel 1930": "Ezekiel 1930 (the data `cars` of R)",
    "Firth 1993": "Firth 1993, Biometrika 80:27",
    "Fisher 1921": "Fisher 1921 (the z transformation of a correlation)",
    "Fiser 1992": "Fiser 1992, J Pediatr 121:68-74",
    "Forsythe 1957": "Forsythe 1957, J SIAM 5:74-88",
    "Freireich 1963": "Freireich 1963, Blood 21:699",
    "Frontera 2006": "Frontera and others 2006, Neurosurgery 59:21-27",
    "Grambsch 1994": "Grambsch and Therneau 1994, Biometrika 81:515",
    "Grandke 1983": "Grandke 1983, IEEE Trans Instrum Meas 32:350-355",
    "Greenwood 1926": "Greenwood 1926 (the variance of a survival curve)",
    "Griffiths 2019": "Griffiths and others 2019, Handbook on Statistical Disclosure Control "
    "for Outputs",
    "Haar 1910": "Haar 1910 (the simplest wavelet)",
    "Hanley 1982": "Hanley and McNeil 1982, Radiology 143:29",
    "Harrell 1982": "Harrell 1982, J Am Med Assoc 247:2543",
    "Harrell 1996": "Harrell, Lee and Mark 1996, Stat Med 15:361",
    "Harrell 2015": "Harrell 2015, Regression Modeling Strategies, 2nd ed.",
    "Heinze 2002": "Heinze and Schemper 2002, Stat Med 21:2409",
    "Hemphill 2001": "Hemphill and others 2001, Stroke 32:891-897",
    "Hilbe 2011": "Hilbe 2011, Negative Binomial Regression, 2nd ed.",
    "Hochberg 1988": "Hochberg 1988, Biometrika 75:800",
    "Holm 1979": "Holm 1979, Scand J Stat 6:65",
    "Hsieh 1998": "Hsieh, Bloch and Larsen 1998, Stat Med 17:1623-1634",
    "Hotelling 1931": "Hotelling 1931 (distribution of T squared)",
    "Hu 2009": "Hu 2009, IEEE Trans Biomed Eng 56:696-705",
    "Huber 1967": "Huber 1967 (robust standard errors)",
    "Hundepool 2012": "Hundepool and others 2012, Statistical Disclosure Control, Wiley",
    "Hunt 1968": "Hunt and Hess 1968, J Neurosurg 28:14-20",
    "Hutchinson 2016": "Hutchinson 2016, N Engl J Med 375:1119-1130",
    "Hyndman 1996": "Hyndman and Fan 1996, Am Stat 50:361-365",
    "Jaeger 2006": "Jaeger and others 2006, Crit Care Med 34:1783-1788",
    "Kalbfleisch 1980": "Kalbfleisch and Prentice 1980 (intervals of a survival curve)",
    "Kaplan 1958": "Kaplan and Meier 1958, J Am Stat Assoc 53:457",
    "Katz 1978": "Katz 1978 (the variance of a log risk ratio)",
    "Kemp 1992": "Kemp 1992 (EDF)",
    "Kemp 2003": "Kemp and Olivan 2003 (EDF+)",
    "Konis 2007": "Konis 2007, Thesis, Oxford",
    "Kunsch 1989": "Kunsch 1989, Ann Stat 17:1217-1241",
    "Lassen 1959": "Lassen 1959, Physiol Rev 39:183-238",
    "Lazarus 2018": "Lazarus, Lewis, Stock and Watson 2018, J Bus Econ Stat 36:541-559",
    "Liang 1986": "Liang and Zeger 1986, Biometrika 73:13",
    "Lind 2010": "Lind and Mehlum 2010, Oxford Bull Econ Stat 72:109-118",
    "Liu 2017": "Liu 2017, J Neurotrauma 34:3081-3088, doi 10.1089/neu.2017.5003",
    "Loprinzi 1994": "Loprinzi 1994, J Clin Oncol 12:601",
    "MacCoun 2015": "MacCoun and Perlmutter 2015, Nature 526:187-189",
    "Marmarou 1978": "Marmarou, Shulman and Rosende 1978, J Neurosurg 48:332-344",
    "Marshall 1991": "Marshall and others 1991, J Neurosurg 75:S14-S20",
    "McCullagh 1980": "McCullagh 1980, J R Stat Soc B 42:109",
    "McCullagh 1989": "McCullagh and Nelder 1989, Generalized Linear Models, 2nd ed.",
    "Muller 2007": "Muller 2007, J Econometrics 141:1331-1352",
    "Murray 2005": "Murray and others 2005, J Neurotrauma 22:511-517",
    "Nelson 1972": "Nelson 1972, Technometrics 14:945",
    "Newcombe 1998": "Newcombe 1998, Stat Med 17:857-872",
    "Noma 2021": "Noma and others 2021, Stat Med 40:5691",
    "Nunez 2018": "Nunez 2018, PLoS One 13:e0199239",
    "Okabe 2008": "Okabe and Ito 2008, Color universal design",
    "Okonkwo 2017": "Okonkwo and others 2017, Crit Care Med 45:1907-1914",
    "Parzen 1963": "Parzen 1963, Sankhya A 25:383-392",
    "Peduzzi 1996": "Peduzzi 1996, J Clin Epidemiol 49:1373",
    "Peterson 1990": "Peterson and Harrell 1990, Applied Statistics 39:205",
    "Potter 2005": "Potter 2005, Stat Med 24:693-708",
    "Prentice 1978": "Prentice, Kalbfleisch and others 1978, Biometrics 34:541",
    "Rubin 1987": "Rubin 1987, Multiple Imputation for Nonresponse in Surveys",
    "Saltelli 2008": "Saltelli and others 2008, Global Sensitivity Analysis",
    "Schisterman 2009": "Schisterman, Cole and Platt 2009, Epidemiology 20:488-495",
    "Sen 1968": "Sen 1968, J Am Stat Assoc 63:1379-1389",
    "Simonsohn 2018": "Simonsohn 2018, AMPPS 1:538-555",
    "Simonsohn 2020": "Simonsohn, Simmons and Nelson 2020, Nature Human Behaviour 4:1208-1214",
    "Spector 1980": "Spector and Mazzeo 1980 (data of 32 students)",
    "Steegen 2016": "Steegen and others 2016, Perspect Psychol Sci 11:702-712",
    "Steiner 2002": "Steiner 2002, Crit Care Med 30:733-738, doi "
    "10.1097/00003246-200204000-00002",
    "Steyerberg 2019": "Steyerberg 2019, Clinical Prediction Models",
    "Stouffer 1949": "Stouffer 1949 (the mean of z values)",
    "Teasdale 1974": "Teasdale and Jennett 1974, Lancet 2:81-84",
    "Teasdale 1988": "Teasdale and others 1988 (WFNS), J Neurol Neurosurg Psychiatry 51:1457",
    "Theil 1950": "Theil 1950, Indag Math 12:85-91, 173-177 and 467-482",
    "Theiler 1992": "Theiler 1992, Physica D 58:77-94",
    "Therneau 2000": "Therneau and Grambsch 2000, Modeling Survival Data",
    "Thomas 2015": "Thomas 2015, Joint UK statement, Br J Anaesth 115:487-488",
    "TRIPOD 2015": "TRIPOD statement 2015",
    "Tsiatis 1981": "Tsiatis 1981, Ann Stat 9:93",
    "van Buuren 2018": "van Buuren 2018, Flexible Imputation of Missing Data",
    "van Swieten 1988": "van Swieten and others 1988, Stroke 19:604-607",
    "VanderWeele 2017a": "VanderWeele 2017a, Biometrics 73:1171",
    "VanderWeele 2017b": "VanderWeele and Ding 2017b, Ann Intern Med 167:268",
    "Vergouwen 2010": "Vergouwen and others 2010, Stroke 41:2391-2395",
    "Venables 2002": "Venables and Ripley 2002, Modern Applied Statistics with S, 4th ed.",
    "Vik 2008": "Vik and others 2008, J Neurosurg 109:678-684, doi "
    "10.3171/JNS/2008/109/10/0678",
    "von Elm 2007": "von Elm and others 2007 (STROBE), PLoS Med 4:e296",
    "White 1982": "White 1982, Econometrica 50:1",
    "White 2009": "White and Royston 2009, Stat Med 28:1982",
    "White 2011": "White, Royston and Wood 2011, Stat Med 30:377",
    "Wilson 1927": "Wilson 1927, J Am Stat Assoc 22:209",
    "Yang 2012": "Yang and Dalton 2012, SAS Global Forum 335-2012",
    "Zeiler 2018": "Zeiler 2018, J Neurotrauma 35:963-974",
    "Zong 2003": "Zong and others 2003, Computers in Cardiology 30:259-262",
    "Zou 2004": "Zou 2004, Am J Epidemiol 159:702",
    "Zuercher 2016": "Zuercher and others 2016, J Neurotrauma 33:1768-1774",
}


def _of(citations: dict[str, str], status: Literal["read", "from memory"]) -> list[Source]:
    return [Source(key, citation, status) for key, citation in citations.items()]


SOURCES = {
    source.key: source
    for source in sorted(
        (*_of(_READ, READ), *_of(_FROM_MEMORY, FROM_MEMORY)), key=lambda one: one.key.lower()
    )
}
_KEYS = re.compile(rf"\b(?:{'|'.join(map(re.escape, SOURCES))})\b")


def cited_in(texts: Iterable[str]) -> list[Source]:
    """Return the sources whose keys stand in any of the texts, each once, by the alphabet."""
    keys = {key for text in texts for key in _KEYS.findall(" ".join(text.split()))}
    return [source for key, source in SOURCES.items() if key in keys]


def section_of(texts: Iterable[str]) -> str:
    """Return the sources of texts as a section in Markdown; nothing where none is cited."""
    cited = cited_in(texts)
    if not cited:
        return ""
    lines = "\n".join(f"* {source.in_full()}" for source in cited)
    return f"## Sources\n\n{HOW_CHECKED}\n\n{lines}\n"
