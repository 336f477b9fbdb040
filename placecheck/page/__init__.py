"""The bench page: the phone at the block is the camera and the screen of the checker on the computer.

One process answers the phones (starlette on uvicorn), and never opens a photo itself: a
photo that comes in is first put on disk whole, then measured in a worker process that has a
time limit and can be killed. pairing and sessions say who may come in, guard is what every
request passes, inbox keeps photos and answers on disk, worker and pool do the measuring,
rows turns an answer into what is shown, views_* are the screens, and app puts them together.
"""
