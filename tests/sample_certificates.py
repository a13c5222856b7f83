"""Digital calibration certificates written by hand, for tests. Invented laboratories, items and numbers."""

from __future__ import annotations

__all__ = ["DCC_SCHEMA", "certificate", "compared", "quantity"]

DCC_SCHEMA = "3.2.1"


def quantity(
    value: str = "58.120",
    unit: str = r"\mega\siemens\metre\tothe{-1}",
    *,
    name: str = "Conductivity",
    uncertainty: str = "<si:expandedUnc><si:uncertainty>0.15</si:uncertainty><si:coverageFactor>2</si:coverageFactor>"
    "<si:coverageProbability>0.95</si:coverageProbability></si:expandedUnc>",
) -> str:
    return (
        f'<dcc:quantity><dcc:name><dcc:content lang="en">{name}</dcc:content></dcc:name>'
        f"<si:real><si:value>{value}</si:value><si:unit>{unit}</si:unit>{uncertainty}</si:real></dcc:quantity>"
    )


def compared(references: str, measured: str, unit: str, *, uncertainty: str = "0.2", name: str = "Conductivity") -> str:
    """A table of reference and measured values, the uncertainty with the measured ones."""
    expanded = (
        f"<si:expandedUncXMLList><si:uncertaintyXMLList>{uncertainty}</si:uncertaintyXMLList>"
        "<si:coverageFactorXMLList>2</si:coverageFactorXMLList>"
        "<si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList></si:expandedUncXMLList>"
    )
    rows = "".join(
        f'<dcc:quantity refType="{kind}"><dcc:name><dcc:content>{name}</dcc:content></dcc:name><si:realListXMLList>'
        f"<si:valueXMLList>{values}</si:valueXMLList><si:unitXMLList>{unit}</si:unitXMLList>{more}"
        "</si:realListXMLList></dcc:quantity>"
        for kind, values, more in (
            ("basic_referenceValue", references, ""),
            ("basic_measuredValue", measured, expanded),
        )
    )
    return f"<dcc:list>{rows}</dcc:list>"


def certificate(
    *data: str,
    item: str = "BL-77",
    issuer: str = "customer",
    version: str = DCC_SCHEMA,
    temperature: tuple[str, ...] = ("20.0",),
    status: str = "",
    issued: str = "2026-02-11",
    due: str = "2028-02-10",
    statements: str = "",
    prologue: str = '<?xml version="1.0" encoding="UTF-8"?>',
    extra: str = "",
) -> bytes:
    """Return a certificate; each of `data` is a result of its own."""
    conditions = "".join(
        f"<dcc:quantity><si:real><si:value>{one}</si:value><si:unit>\\degreecelsius</si:unit></si:real></dcc:quantity>"
        for one in temperature
    )
    influence = (
        '<dcc:influenceConditions><dcc:influenceCondition refType="basic_temperature">'
        f"<dcc:name><dcc:content>Temperature</dcc:content></dcc:name>{f'<dcc:status>{status}</dcc:status>' if status else ''}"
        f"<dcc:data>{conditions}</dcc:data></dcc:influenceCondition></dcc:influenceConditions>"
        if temperature
        else ""
    )
    results = "".join(
        f'<dcc:result><dcc:name><dcc:content lang="de">Ergebnis</dcc:content><dcc:content lang="en">Result {n}</dcc:content>'
        f"</dcc:name><dcc:data>{one}</dcc:data></dcc:result>"
        for n, one in enumerate(data or (quantity(),), start=1)
    )
    place = "<dcc:location><dcc:countryCode>NO</dcc:countryCode></dcc:location>"
    return f"""{prologue}
<dcc:digitalCalibrationCertificate xmlns:dcc="https://ptb.de/dcc" xmlns:si="https://ptb.de/si" schemaVersion="{version}">
<dcc:administrativeData>
<dcc:dccSoftware><dcc:software><dcc:name><dcc:content>pen</dcc:content></dcc:name><dcc:release>1</dcc:release></dcc:software></dcc:dccSoftware>
<dcc:coreData><dcc:countryCodeISO3166_1>NO</dcc:countryCodeISO3166_1><dcc:usedLangCodeISO639_1>en</dcc:usedLangCodeISO639_1>
<dcc:mandatoryLangCodeISO639_1>en</dcc:mandatoryLangCodeISO639_1><dcc:uniqueIdentifier>TVL-0815</dcc:uniqueIdentifier>
<dcc:beginPerformanceDate>2026-02-02</dcc:beginPerformanceDate><dcc:endPerformanceDate>2026-02-04</dcc:endPerformanceDate>
<dcc:performanceLocation>laboratory</dcc:performanceLocation>{f"<dcc:issueDate>{issued}</dcc:issueDate>" if issued else ""}</dcc:coreData>
<dcc:items><dcc:item><dcc:name><dcc:content>Item</dcc:content></dcc:name>
<dcc:manufacturer><dcc:name><dcc:content>Kvarn Verk</dcc:content></dcc:name></dcc:manufacturer><dcc:model>M</dcc:model><dcc:identifications>
<dcc:identification><dcc:issuer>{issuer}</dcc:issuer><dcc:value>{item}</dcc:value></dcc:identification>
<dcc:identification><dcc:issuer>manufacturer</dcc:issuer><dcc:value>SN 1</dcc:value></dcc:identification>
</dcc:identifications></dcc:item></dcc:items>
<dcc:calibrationLaboratory><dcc:contact><dcc:name><dcc:content>Tveldal Laboratory</dcc:content></dcc:name><dcc:eMail>x@tveldal.example</dcc:eMail>{place}</dcc:contact></dcc:calibrationLaboratory>
<dcc:respPersons><dcc:respPerson><dcc:person><dcc:name><dcc:content>O. Lind</dcc:content></dcc:name></dcc:person></dcc:respPerson></dcc:respPersons>
<dcc:customer><dcc:name><dcc:content>Hallormond Works</dcc:content></dcc:name><dcc:eMail>x@hallormond.example</dcc:eMail>{place}</dcc:customer>
<dcc:statements>{statements}<dcc:statement refType="basic_recalibration"><dcc:declaration><dcc:content>Due</dcc:content></dcc:declaration>
<dcc:date>{due}</dcc:date></dcc:statement></dcc:statements>
</dcc:administrativeData>
<dcc:measurementResults><dcc:measurementResult><dcc:name><dcc:content>Results</dcc:content></dcc:name>{influence}
<dcc:results>{results}</dcc:results></dcc:measurementResult></dcc:measurementResults>{extra}
</dcc:digitalCalibrationCertificate>
""".encode()
